"""An adjustment is one step in the record: a setting where a value is told, else what was done (DEVELOPERS.md, "How a note is read")."""

from __future__ import annotations

import pytest
from small_folders import lexicon

from casebase.record.case import Repair, Setting, Step
from casebase.retain.draft import draft
from casebase.retain.storychanges import is_amount
from casebase.retain.storytwice import SET_BY
from casebase.trade.readings import find_readings

ADJUSTING = {*SET_BY, *SET_BY.values()}


def adjustments(text: str) -> list[Step]:
    """The steps of a note that adjust something."""
    steps = [told.step for told in draft(text, lexicon()).steps]
    return [step for step in steps if (isinstance(step, Setting) and step.setting in ADJUSTING) or (isinstance(step, Repair) and not ADJUSTING.isdisjoint(step.actions))]


def test_every_setting_and_action_is_of_the_vocabulary() -> None:
    terms = lexicon().vocabulary.terms
    assert set(SET_BY) <= set(terms["setting"])
    assert set(SET_BY.values()) <= set(terms["action"])


def test_what_is_told_with_a_value_is_a_setting_and_nothing_else() -> None:
    (step,) = adjustments("Trimmer, it bogs when I give it throttle. I adjusted the mixture, the low screw was at one turn and I set it to one and a quarter turns. That cured it.")
    assert isinstance(step, Setting)
    assert (step.setting, step.before, step.after) == ("low-speed screw", "one turn", "one and a quarter turns")


@pytest.mark.parametrize(("said", "action"), [
    ("I took up the drive cable by 8 mm.", "adjust drive cable"), ("Turned the idle speed screw back a quarter turn.", "adjust idle speed"),
    ("Opened the high-speed screw an eighth of a turn.", "adjust mixture")])
def test_what_is_told_by_how_much_it_was_moved_was_done(said: str, action: str) -> None:
    steps = adjustments(f"Mower, it runs badly and the drive slips on the hill. {said}")
    assert [step.actions for step in steps if isinstance(step, Repair)] == [(action,)]
    assert not any(isinstance(step, Setting) for step in steps)


@pytest.mark.parametrize(("text", "unit", "amount"), [
    ("I took up 8 mm", "mm", True), ("up half an inch on the idler", "in", True), ("backed the screw out a full turn", "turn", True),
    ("let it out by a quarter of a turn", "turn", True), ("made it 6 mm shorter", "mm", True),
    ("I gave it 4 mm of play", "mm", False), ("set it to 8 mm", "mm", False), ("the screw was at one turn", "turn", False),
    ("wound the unloader up to 120 bar", "bar", False), ("pumped it up 2 psi", "psi", False)])
def test_amounts(text: str, unit: str, amount: bool) -> None:
    (value,) = find_readings(text)
    assert is_amount(text, value, unit) == amount


def test_the_speed_that_was_set_is_told_by_its_size() -> None:
    (step,) = adjustments("Generator, it surges. The speed was 3,260 rpm, so I brought the speed down to 3,000 rpm with the screw. Steady now.")
    assert isinstance(step, Setting)
    assert step.setting == "full-throttle speed"


def test_the_speed_that_is_named_is_the_one_that_was_set() -> None:
    (step,) = adjustments("The head keeps turning at idle. The idle was 3,600 rpm so I brought it down to 2,800 rpm.")
    assert isinstance(step, Setting)
    assert step.setting == "idle speed"
