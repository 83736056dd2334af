"""The conversation of `next --ask`, and what it leaves in a job's file."""

from __future__ import annotations

import io
import shutil
from collections.abc import Callable
from pathlib import Path

from casebase import CaseBase
from casebase.cli import nextviews, weighviews
from casebase.cli.paper import Paper
from casebase.record.case import Check
from casebase.reuse.weigh import Replacement

DEMO = Path(__file__).parents[1] / "cases"


def demo(tmp_path: Path) -> CaseBase:
    return CaseBase(shutil.copytree(DEMO, tmp_path / "cases"))


def answers(*given: str) -> Callable[[str], str]:
    rest = iter(given)
    return lambda _prompt: next(rest, "q")


def test_answers_are_added_to_the_job_and_nothing_else_moves(tmp_path: Path) -> None:
    base = demo(tmp_path)
    job, path = base.job("26-022")
    assert path is not None
    before = path.read_bytes()
    out = io.StringIO()
    nextviews.converse(Paper(out), base, "26-022", job, path, "bench", answers("what", "ok", "clean as new", "s", "q"))
    assert '"what" is not an answer' in out.getvalue() and "allowed: ok, bad" in out.getvalue()
    after, _path = base.job("26-022")
    assert job is not None
    assert after is not None
    assert len(after.steps) == len(job.steps) + 1
    last = after.steps[-1]
    assert isinstance(last, Check)
    assert (last.found, last.verdict) == ("clean as new", "ok")
    at = next(i for i, (old, new) in enumerate(zip(before, path.read_bytes(), strict=False)) if old != new)
    added = len(path.read_bytes()) - len(before)
    assert path.read_bytes()[:at] + path.read_bytes()[at + added:] == before


def test_a_conversation_about_words_ends_with_a_cure_or_nothing_more(tmp_path: Path) -> None:
    base = demo(tmp_path)
    out = io.StringIO()
    said = lambda prompt: "cured" if "cured" in prompt else "bad"  # noqa: E731
    nextviews.converse(Paper(out), base, "starts only sometimes", None, None, "bench", said)
    assert "Prove it" in out.getvalue()
    out = io.StringIO()
    nextviews.converse(Paper(out), base, "flurble", None, None, "bench", answers())
    assert "Nothing more" in out.getvalue()


def test_views_show_cautions_and_no_number_without_cases(tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    base, out = CaseBase(empty), io.StringIO()
    nextviews.next_step(Paper(out), base, base.next_step("will not start, spark plug wet"))
    text = out.getvalue()
    assert " in 100" not in text
    assert "Take care" in text
    assert "TM 5-4240-501-14" in text
    out = io.StringIO()
    nextviews.next_step(Paper(out), base, base.next_step("flurble"))
    assert "Nothing to propose" in out.getvalue()


def test_weighing_and_readings_are_shown(tmp_path: Path) -> None:
    base, out = demo(tmp_path), io.StringIO()
    answer = base.weigh(["fit carburettor kit", "replace carburettor: 34, 30 min, 85 %"], "runs only on choke",
                        otherwise=120, replacement=Replacement(240, 6, 3))
    weighviews.weighing(Paper(out), base, answer)
    weighviews.reading(Paper(out), base, base.in_context("plug gap", "0.011-inch or 0.028 mm"))
    text = out.getvalue()
    assert "pays only under" in text
    assert "The pair disagrees" in text
    assert "Take care" in text
