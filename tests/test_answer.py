"""Replies to strangers and sheets for owners: every claim with its case or source, nothing private in a reply."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest
from commands import DEMO, casebase
from small_folders import lexicon, write_cases

from casebase.api import CaseBase
from casebase.record.settings import Settings
from casebase.reuse.answer import DIFFERS, SHORT, page, short
from casebase.reuse.page import to_text
from casebase.trade.terms import DEFERS

QUESTIONS = (
    "runs only on choke, leaks at bulb", "saw starts then dies after 10 minutes, restarts when cold",
    "my mower will not start after winter", "blower screams and the idle is far too fast", "chain moves at idle",
    "generator runs but no power", "snow thrower surges",
)
OUTSIDE = ("what colour is the moon", "my blender makes a funny smell", "how do I bake bread")


pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture(autouse=True)
def _here(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("CASEBASE_DIR", str(DEMO))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> CaseBase:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        base = CaseBase(DEMO)
        assert base.index.size
        return base


@pytest.mark.parametrize("question", QUESTIONS)
def test_every_claim_has_its_case_or_its_source(demo: CaseBase, question: str) -> None:
    found = demo.answer(question)
    assert found.known and found.sounds_like and 2 <= len(found.checks) <= 3 and 1 <= len(found.questions) <= 2
    for line in (*found.sounds_like, *found.cured):
        assert re.search(r"\[\d\d-\d{3}", line) or "published tables" in line, line
    for number in re.findall(r"\d\d-\d{3}", " ".join((*found.sounds_like, *found.cured))):
        assert next(DEMO.glob(f"{number}-*.md"))


@pytest.mark.parametrize("question", QUESTIONS)
def test_a_fix_is_said_to_have_cured_as_often_as_its_cases_say(demo: CaseBase, question: str) -> None:
    """Counted anew from the case files: no line claims more cures than there are cured steps."""
    for line in demo.answer(question).cured:
        claimed = re.search(r'^"?(?P<symptom>[^":]*)"?: (?P<fix>.*?) cured (?P<cured>\d+) of (?P<tried>\d+)', line)
        if claimed is None:
            continue
        cures = 0
        for path in DEMO.glob("[0-9]*.md"):
            case = demo.case(path.stem)
            assert case is not None
            cures += sum(effect.result == "cured" and effect.symptom == claimed["symptom"]
                         for step in case.steps for effect in getattr(step, "effects", ())
                         if claimed["fix"] in getattr(step, "actions", ()))
        assert int(claimed["cured"]) <= cures


@pytest.mark.parametrize("question", [*QUESTIONS, *OUTSIDE])
def test_the_short_form_is_short_and_keeps_its_caution(demo: CaseBase, question: str) -> None:
    text = short(demo.answer(question))
    assert len(text) < SHORT and "manual" in text and "may differ" in text


@pytest.mark.parametrize("question", QUESTIONS)
def test_it_defers_to_the_manual_and_shows_the_cautions_of_what_it_proposes(demo: CaseBase, question: str) -> None:
    found = demo.answer(question)
    text = to_text(page(found))
    assert " ".join(DIFFERS.split()) in " ".join(text.split())
    vocabulary = demo.index.lexicon.vocabulary
    for line in found.checks:
        term = vocabulary.terms["check"][re.split(r" \(about", line)[0]]
        assert {hazard.label for hazard in vocabulary.cautions([term])} <= {c.label for c in found.cautions}
        assert term.owner  # nothing that needs tools is asked of an owner


@pytest.mark.parametrize("question", OUTSIDE)
def test_outside_its_knowledge_it_says_so_and_claims_nothing(demo: CaseBase, question: str) -> None:
    found = demo.answer(question)
    assert not found.known and not (found.sounds_like or found.cured or found.checks or found.cases)
    assert "cannot say what it is" in to_text(page(found))


def test_an_empty_folder_answers_from_published_tables_and_says_so(tmp_path: Path) -> None:
    (tmp_path / "none").mkdir()
    found = CaseBase(tmp_path / "none").answer("will not start, spark plug wet")
    assert found.known and not found.cured and all("published tables (" in line for line in found.sounds_like)
    assert found.not_known == ("No jobs are recorded here yet; this rests on published tables.",)


def test_a_reply_knows_nothing_private_and_no_story(tmp_path: Path) -> None:
    base = CaseBase(write_cases(tmp_path / "cases", {f"26-{n:03d}-{word}": {
        "complaint": "surges and Quillon says it leaks", "title": "Fetterby", "machine": {"kind": "chainsaw"},
        "symptoms": ["surges"], "status": "closed", "outcome": "fixed", "private": {"owner": "Quillon Fetterby"},
        "steps": [{"do": "replace fuel line", "for": ["surges"], "result": "cured"}], "body": "Quillon came in.",
    } for n, word in ((1, "a"), (2, "b"), (3, "c"))}))
    found = base.answer("chainsaw surges, Quillon?")
    text = repr(found) + to_text(page(found)) + short(found)
    assert "26-001" in text and "replace fuel line" in text
    assert "Fetterby" not in text and "Quillon" not in text


@pytest.mark.parametrize("form", ["text", "markdown", "html"])
def test_the_command_writes_each_form(form: str, tmp_path: Path) -> None:
    out = tmp_path / "reply"
    done = casebase("answer", QUESTIONS[0], "--format", form, "--into", str(out))
    assert done.code == 0 and "written to" in done.out
    text = out.read_text()
    assert "fit carburettor kit" in text and (form == "html") == text.startswith("<!doctype html>")
    again = casebase("answer", QUESTIONS[0], "--into", str(out))
    assert again.code == 2 and "is there already" in again.err and out.read_text() == text


@pytest.mark.parametrize("args", [("answer", "x", "--format", "pdf"), ("sheet", "24-009", "--format", "pdf"),
                                  ("sheet", "99-999"), ("answer", "?!")])
def test_what_cannot_be_done_is_refused_in_words(args: tuple[str, ...]) -> None:
    done = casebase(*args)
    assert done.code == 2 and done.err and "Traceback" not in done.err


def test_the_sheet_tells_the_whole_job() -> None:
    done = casebase("sheet", "25-007", "--format", "markdown")
    for words in ("only goes with the choke on", "crankcase pressure", "replace intake gasket or boot: cured it",
                  "fit carburettor kit: changed nothing", "parts together 15.00 EUR", "95 min", "How to run and store it",
                  "Mix the oil into the fuel", "fuel vapour", DEFERS):
        assert words in " ".join(done.out.split()), words
    assert done.code == 0
    assert casebase("sheet", "25-007", "--json").json["title"].startswith("Job 25-007")


def sheet_of(tmp_path: Path, **fields: object) -> str:
    folder = write_cases(tmp_path / "jobs", {"26-001-job": {"complaint": "surges", "machine": {
        "kind": "mower", "engine": "four-stroke"}, **fields}})
    return casebase("sheet", "1", "--cases", str(folder)).out


def test_settings_are_given_as_left_and_as_they_came(tmp_path: Path) -> None:
    text = sheet_of(tmp_path, steps=[
        {"set": "low-speed screw", "from": "1 turn", "to": "1 1/4 turns", "result": "better", "for": ["surges"]},
        {"set": "low-speed screw", "from": "1 1/4 turns", "to": "1 1/8 turns", "result": "cured", "for": ["surges"]}],
        symptoms=["surges"])
    assert "low-speed screw: 1 1/8 turns (it came in at 1 turn)" in text
    assert "oil level" in text and "Mix the oil" not in text and "still open" in text


def test_what_was_not_cured_still_needs_doing(tmp_path: Path) -> None:
    text = sheet_of(tmp_path, symptoms=["surges", "fuel leak"], status="closed", outcome="partly fixed",
                    steps=[{"do": "replace fuel line", "for": ["fuel leak"], "result": "cured"}])
    assert "not cured: surges" in text and "not cured: fuel leak" not in text and "partly repaired" in text


def test_the_private_part_stands_on_the_sheet_and_only_there(tmp_path: Path) -> None:
    assert "owner: Ann Example" in sheet_of(tmp_path, private={"owner": "Ann Example", "phone": "000"})


def test_an_empty_job_makes_a_short_sheet_that_invents_nothing(tmp_path: Path) -> None:
    text = sheet_of(tmp_path, machine={"kind": "mower"})
    for heading in ("What was found", "What was done", "Settings", "Parts", "How we know", "How to run"):
        assert heading not in text
    assert "surges" in text and date(2026, 1, 5).isoformat() in text


def test_prices_carry_the_currency_of_the_folder() -> None:
    from casebase.reuse.sheet import sheet

    case = CaseBase(DEMO).case(next(DEMO.glob("25-007-*.md")).stem)
    assert case is not None
    text = to_text(sheet(case, Settings(currency="SEK"), lexicon().vocabulary))
    assert "11.80 SEK" in text and "EUR" not in text
