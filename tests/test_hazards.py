"""Wherever work is proposed that can hurt someone, its caution stands beside it: every check and fix is walked."""

from __future__ import annotations

import io
import re
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from small_folders import index_of, lexicon, write_cases

from casebase.api import CaseBase
from casebase.cli import nextviews, views, weighviews
from casebase.cli.paper import Paper
from casebase.reuse import shapes
from casebase.reuse.answer import page, reply
from casebase.reuse.causes import SOMETHING_ELSE, Belief
from casebase.reuse.firstanswer import first_answer
from casebase.reuse.nextcheck import NextStep, Proposal
from casebase.reuse.page import to_text
from casebase.trade.terms import Term

TERMS = lexicon().vocabulary.terms
WORK = [*TERMS["check"].values(), *TERMS["action"].values(), *TERMS["setting"].values()]
DEFER = "manual and local rules come first"

# Words of a label that mean a danger, and the hazards of which at least one must stand beside it (common practice, no
# source). What only sounds like it is listed with the reason.
DANGEROUS = {
    r"fuel|petrol|tank|carburettor|primer|float|needle|jet|vent|bulb": {
        "fuel vapour", "fuel under pressure", "fuel on skin"},
    r"blade|chain|auger|cutter|line head|attachment|impeller|paddle|tine": {
        "moving attachment", "moving parts", "engine may start", "sharp edges"},
    r"spark|coil|ignition|plug lead|magneto": {"high voltage", "engine may start"},
    r"spring|recoil": {"stored spring"},
    r"silencer|muffler|exhaust": {"hot parts"},
    r"pressure": {"compressed air or pressure", "pump water pressure"},
    r"compression|leak-down|crank|cranking|rope|piston|flywheel": {"engine may start", "stored spring"},
    r"clutch|gear head": {"hot parts"},
    r"battery": {"battery"},
    r"mains|voltage|outlet|winding|capacitor": {"mains-level voltage", "high voltage", "battery"},
}
# What is done with the engine running: its exhaust kills, and something moves.
RUNNING = r"\b(running|runs|starts|idle|idles|revs?|rpm|full[- ]throttle|under load|charging voltage|dies hot|answers)\b"
HARMLESS = {
    "months stored with fuel": "a question, nothing is opened",
    "carburettor mounting": "bolts seen from outside",
    "spark arrester": "a screen in the exhaust; nothing sparks",
    "clean or replace spark arrester": "a screen in the exhaust; nothing sparks",
    "spark plug torque": "a value of a wrench; the plug is out of its cap",
    "repair blade clutch": "an electric clutch; it has no shoes that get hot",
}


def labels(term: Term) -> set[str]:
    return {hazard.label for hazard in lexicon().vocabulary.cautions([term])}


def name(term: Term) -> str:
    return f"{term.kind}-{term.label}"


@pytest.mark.parametrize("term", WORK, ids=name)
def test_work_with_dangerous_things_has_a_hazard(term: Term) -> None:
    for words, hazards in DANGEROUS.items():
        if re.search(rf"\b({words})\b", term.label) and term.label not in HARMLESS:
            assert labels(term) & hazards, f"{term.label}: {words}"


@pytest.mark.parametrize("term", [term for term in WORK if re.search(RUNNING, term.label)], ids=name)
def test_work_on_a_running_engine_warns_of_its_exhaust_and_of_what_moves(term: Term) -> None:
    assert "carbon monoxide" in labels(term)
    assert labels(term) & {"moving attachment", "moving parts"}


def test_exceptions_are_still_terms() -> None:
    assert {term.label for term in WORK} >= HARMLESS.keys()


@pytest.mark.parametrize("term", TERMS["hazard"].values(), ids=name)
def test_every_hazard_has_a_sentence_and_every_named_hazard_exists(term: Term) -> None:
    assert len(term.caution.split()) >= 6 and term.caution.endswith(".")


def test_no_term_names_a_hazard_that_is_none() -> None:
    assert {hazard for term in lexicon().vocabulary.all() for hazard in term.hazards} <= TERMS["hazard"].keys()


@cache
def empty() -> CaseBase:
    import tempfile

    base = CaseBase(tempfile.mkdtemp())
    base.__dict__["index"] = index_of(base.folder)
    return base


def says(out: str, term: Term) -> None:
    """Every caution of a term stands in the text, whole, and the sentence that defers with it."""
    told = " ".join(out.split())
    for hazard in lexicon().vocabulary.cautions([term]):
        assert f"{hazard.label}: {hazard.caution}" in told, f"{term.label}: {hazard.label}"
    if term.hazards:
        assert DEFER in told


def step_with(term: Term) -> NextStep:
    belief = Belief(("stale fuel", SOMETHING_ELSE), np.array([0.6, 0.4]), {}, {})
    proposal = Proposal("check" if term.kind == "check" else "fix", term, 5.0, 3.5, 1.0, (), 0.5, (), True)
    return NextStep(belief, (proposal,), "", False, ())


@pytest.mark.parametrize("term", WORK, ids=name)
def test_next_shows_the_caution_of_every_check_and_fix(term: Term) -> None:
    out = io.StringIO()
    nextviews.next_step(Paper(out), empty(), step_with(term))
    says(out.getvalue(), term)
    data = shapes.next_step(step_with(term), lexicon().vocabulary)
    assert set(data["proposals"][0]["hazards"]) == set(term.hazards) == {one["hazard"] for one in data["cautions"]}
    assert bool(data["defers"]) == bool(term.hazards)


@pytest.mark.parametrize("term", [term for term in WORK if term.kind != "setting"], ids=name)
def test_asking_step_by_step_shows_the_caution_before_the_answer(term: Term, monkeypatch: pytest.MonkeyPatch) -> None:
    out = io.StringIO()
    base = empty()
    monkeypatch.setattr(CaseBase, "next_step", lambda *_args, **_options: step_with(term))

    def ask(_prompt: str) -> str:
        says(out.getvalue(), term)
        return "q"

    nextviews.converse(Paper(out), base, "surges", None, None, "bench", ask)
    assert out.getvalue()


@pytest.mark.parametrize("term", TERMS["action"].values(), ids=name)
def test_weighing_shows_the_caution_of_every_fix(term: Term) -> None:
    out = io.StringIO()
    weighviews.weighing(Paper(out), empty(), empty().weigh([f"{term.label}: 5, 10 min, 60 %"], otherwise=200))
    says(out.getvalue(), term)


@pytest.mark.parametrize("term", TERMS["action"].values(), ids=name)
def test_find_and_answer_show_the_caution_of_every_fix_that_worked(term: Term, tmp_path: Path) -> None:
    folder = write_cases(tmp_path / "cases", {"26-001-job": {
        "complaint": "surges", "symptoms": ["surges"], "machine": {"kind": "chainsaw"}, "status": "closed",
        "outcome": "fixed", "steps": [{"do": term.label, "for": ["surges"], "result": "cured"}]}})
    index = index_of(folder)
    found = first_answer("surges", index)
    base = CaseBase(folder)
    base.__dict__["index"] = index
    out = io.StringIO()
    views.first_answer(Paper(out), base, found)
    assert term.label in out.getvalue()
    says(out.getvalue(), term)
    told = reply("surges", index)
    assert any(term.label in line for line in told.cured)
    says(to_text(page(told)), term)


@pytest.mark.parametrize("limit", ["inlet valve clearance", "spark plug gap", "cranking compression"])
def test_readings_show_the_caution_of_their_check(limit: str) -> None:
    out = io.StringIO()
    value = {"inlet valve clearance": "0.006 in", "spark plug gap": "0.7 mm", "cranking compression": "110 psi"}[limit]
    answer = empty().in_context(limit, value)
    weighviews.reading(Paper(out), empty(), answer)
    says(out.getvalue(), answer.term)
