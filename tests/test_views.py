"""How answers read: what a person is told and in which words, over answers from real small folders."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from helpers import full_case
from small_folders import Fields, fix, index_with

from casebase.api import CaseBase
from casebase.cli import views
from casebase.cli.paper import Paper
from casebase.record.settings import Settings

CHOKE = "runs only on choke"


def based(folder: Path, cases: dict[str, Fields], currency: str = "EUR") -> CaseBase:
    """A case base over these cases, its index in memory."""
    base = CaseBase(folder)
    base.__dict__["index"] = replace(index_with(folder, cases), settings=Settings(currency))
    return base


def printed(show: Callable[[Paper], object]) -> str:
    """What is shown, line breaks folded."""
    stream = io.StringIO()
    show(Paper(stream))
    return " ".join(stream.getvalue().split())


def find(base: CaseBase, words: str) -> str:
    return printed(lambda paper: views.first_answer(paper, base, base.find(words)))


def job(*steps: Fields, **more: object) -> Fields:
    return {
        "title": "Needs choke",
        "complaint": "it only runs on choke",
        "symptoms": [CHOKE],
        "steps": list(steps),
        "outcome": "fixed",
        **more,
    }


def test_citations():
    ids = [f"26-{number:03d}-x" for number in range(1, 9)]
    assert views.cite(ids[:2]) == "[26-001, 26-002]"
    assert views.cite(ids) == "[26-001, 26-002, 26-003, 26-004, 26-005, 26-006 and 2 more]"
    assert views.cite(["my-own-name"]) == "[my-own-name]"
    assert views.cite([]) == "[]"


def test_under_three_cases_there_are_words_only(tmp_path):
    base = based(tmp_path, {"26-001-a": job(fix("fit carburettor kit", on=[CHOKE], parts="11.80", minutes="30"))})
    told = find(base, "runs only on choke")
    assert "fit carburettor kit: worked once [26-001]" in told
    assert "about 30 min; parts about 11.80 EUR" in told
    assert "of 100" not in told
    assert 'What helped against "runs only on choke" in 1 similar job' in told


def test_from_three_cases_on_there_are_counts_and_a_span(tmp_path):
    kit = [fix("fit carburettor kit", on=[CHOKE], result=result) for result in ("cured", "cured", "cured", "no change")]
    base = based(tmp_path, {f"26-00{number}-a": job(step) for number, step in enumerate(kit, 1)}, "GBP")
    told = find(base, "runs only on choke")
    assert "fit carburettor kit: cured 3 of 4 [26-00" in told
    assert "of 100 such jobs (95 % interval)" in told
    assert "in 4 similar jobs" in told


def test_what_came_back_and_what_did_nothing_is_told(tmp_path):
    base = based(
        tmp_path,
        {
            "26-001-a": job(
                fix("replace spark plug", on=[CHOKE], result="no change"),
                fix("fit carburettor kit", "replace fuel filter", on=[CHOKE]),
                followups=[{"date": "2026-05-05", "status": "came back"}],
            ),
            "26-002-b": job(fix("replace fuel line", on=[CHOKE], result="better")),
        },
    )
    told = find(base, "runs only on choke")
    assert "fit carburettor kit + replace fuel filter: worked once [26-001]" in told
    assert "came back [26-001]" in told
    assert "Without effect: replace spark plug [26-001]" in told
    assert "replace fuel line: helped, but did not cure [26-002]" in told


def test_what_was_tried_is_set_aside_not_hidden(tmp_path):
    base = based(tmp_path, {"26-001-a": job(fix("replace spark plug", on=[CHOKE]))})
    told = find(base, "runs only on choke, I replaced the spark plug, no change")
    assert "Tried replace spark plug: no change" in told
    assert "Already tried, so set aside: replace spark plug (worked once here)" in told
    assert "Nothing has helped" in told


def test_neighbours_say_why_they_are_there(tmp_path):
    base = based(
        tmp_path,
        {
            "26-001-a": job(machine={"kind": "chainsaw", "engine": "two-stroke"}, absent=["fuel leak"]),
            "26-002-b": {"symptoms": ["no spark"], "complaint": "no spark"},
        },
    )
    told = find(base, "two-stroke chainsaw runs only on choke, fuel leak")
    assert "Like this one [26-001] Needs choke (chainsaw, fixed)" in told
    assert "also chainsaw, two-stroke" in told
    assert "against it fuel leak: not there" in told
    assert "Machine chainsaw, two-stroke" in told


def test_only_some_words_in_common_is_said_so(tmp_path):
    base = based(tmp_path, {"26-001-a": {"complaint": "flurble in the casing of the old pump house by the river"}})
    told = find(base, "flurble grommick winkle snorkle")
    assert "Nothing really like it" in told or "Nothing like it" in told


def test_the_file_may_have_gone_meanwhile(tmp_path):
    base = based(tmp_path, {"26-001-a": job(), "26-002-b": job()})
    (tmp_path / "26-001-a.md").unlink()
    assert "[26-002]" in find(base, "runs only on choke")


def test_an_empty_folder_answers_from_the_handbook(tmp_path):
    answer = based(tmp_path, {}).find("runs only on choke")
    told = find(based(tmp_path, {}), "runs only on choke")
    assert "From the handbook (general tables, not this shop's own jobs)" in told
    assert "This folder has no cases yet" in told
    for row in answer.handbook:
        assert row.printed_cause in told
        assert f"Source: {row.source}" in told
    assert "Take care" in told
    assert "licensed or trained person" in told


@pytest.mark.parametrize("cases", [{}, {"26-001-a": job()}])
def test_nothing_like_it_is_said_honestly(tmp_path, cases):
    told = find(based(tmp_path, cases), "flurble grommick")
    assert "Nothing like it" in told
    assert "Left over flurble, grommick" in told
    assert "in plain words" in told


def test_no_case_says_what_cures_it(tmp_path):
    base = based(tmp_path, {"26-001-a": job(fix("fit carburettor kit", on=[CHOKE]))})
    assert 'No similar case here says what cures "no spark"' in find(base, "runs only on choke, no spark")


def test_what_was_understood(tmp_path):
    base = based(tmp_path, {})

    def understood(words: str) -> str:
        return printed(lambda paper: views.understood(paper, base.understand(words)))

    told = understood("6 year old 45 cc chainsaw, no spark, no longer leaks fuel, gap 6 thou, carburetter chocked")
    assert "Read as no spark" in told
    assert "over: fuel leak" in told
    assert "Machine chainsaw" in told
    assert "45 cc, 6 years old" in told
    assert "Readings" in told
    assert "6 thou (" in told
    assert understood("flurble") == "Read as no symptom the vocabulary knows Left over flurble"
    assert "Spelling carburaator read as carbur" in understood("the carburaator is wet")


def test_a_whole_case(tmp_path):
    told = printed(lambda paper: views.case(paper, full_case(), "EUR"))
    for part in (
        "[26-014] Saw dies when tipped on its side",
        "2026-04-18, partly fixed: chainsaw, two-stroke, diaphragm carburettor, 45 cc, 6 years",
        "Complaint cuts out whenever I roll it over",
        "Symptoms dies when tilted; hard to start",
        "Not there fuel leak; no spark",
        "Stored 5 months with fuel",
        "Before replace spark plug",
        "Comeback of 25-031-saw-dies",
        "1 checked fuel line: split at the grommet, bad, 4 min, torch needed",
        "2 set low-speed screw: 7/8 turn → 1 1/8 turns, dies when tilted: no change, 2.5 min, put back",
        "3 replace fuel line + replace fuel filter, dies when tilted: cured; hard to start: better, 25 min, "
        "parts 9.50 EUR, pattern part, both together",
        "Causes fuel line cracked; fuel filter blocked",
        "Proof ran ten minutes on its side",
        "Follow-up 2026-06-02: holding Follow-up 2026-08-02: came back",
        "Advice drain the tank before winter",
        "What was seen. --- And doubted.",
    ):
        assert part in told
    for secret in ("Invented Name", "000", "owner", "phone"):
        assert secret not in told


def test_the_smallest_case():
    case = replace(
        full_case(),
        steps=(),
        causes=(),
        proof=(),
        advice=(),
        followups=(),
        body="",
        symptoms=(),
        absent=(),
        outcome=None,
    )
    told = printed(lambda paper: views.case(paper, case, "EUR"))
    assert "closed: chainsaw" in told
    assert "Steps" not in told
