"""Which number of a sentence is where a setting was found and which where it was left."""

from __future__ import annotations

import numpy as np
import pytest
from small_folders import lexicon

from casebase.record.case import Setting
from casebase.retain.draft import draft
from casebase.retain.story import clauses, sentences
from casebase.retain.storychanges import is_counted, numbers_in, window
from casebase.retain.storychoice import Choice
from casebase.retain.storyencoded import Encoded
from casebase.retain.storylearned import sayings
from casebase.retain.storyroles import About, values
from casebase.retrieve.examples import SettingTold, told_stories
from casebase.trade.numbers import number
from casebase.trade.terms import package_vocabulary


@pytest.mark.parametrize(("text", "unit", "values"), [
    ("brought the idle down from 3,400 to 2,800", "rpm", [3400, 2800]),
    ("near half a millimetre off, brought that in to point three", "mm", [0.5, 0.3]),
    ("it was at one and a quarter, gave it one and five eighths", "turn", [1.25, 1.625]),
    ("two lads carried it and the float sat at 12 mm", "mm", [2, 12]),
    ("a hundred and twenty psi", "turn", []),
    ("no slack in it at all, so I gave it 4 mm", "mm", [0, 4]), ("brought the lever from 1 mm low up to flush", "mm", [1, 0]),
    ("it was 0.15 and 0,25 before, now 0.3", "in", [0.15, 0.25, 0.3]), ("set it to three and a half thousand with a 17 spanner", "rpm", [3500]),
    ("two thousand nine hundred and fifty, then thirty-four fifty", "rpm", [2950, 3450]),
    ("it did thirty-six flat out, so I brought it down to 3.100", "rpm", [3600, 3100]),
    ("moved the spring from the second hole to the third", "", [2, 3]), ("the oiler was on mark two, now it is on the fourth mark", "turn", [2, 4]),
    ("it started on the second pull", "", []),
])  # fmt: skip
def test_numbers_that_may_be_values(text: str, unit: str, values: list[float]) -> None:
    assert [reading.value for reading in numbers_in(text, unit)] == values


def test_what_is_counted_is_told_from_what_is_measured() -> None:
    text = "two lads carried it and the float sat at 12 mm"
    lads, height = numbers_in(text, "mm")
    assert is_counted(text, lads)
    assert not is_counted(text, height)


def test_the_window_masks_numbers() -> None:
    text = "brought the idle down from 3,400 to 2,800 and left it"
    assert window(text, numbers_in(text, "rpm"), 1) == "the idle down from 0 to vvv and left it"


@pytest.mark.parametrize(("words", "value", "role"), [
    ("3,400 rpm", 3400, "from"), ("2,700 rpm", 2700, "to"), ("half a turn", 0.5, "none")])
def test_the_role_of_a_number_in_an_example(words: str, value: float, role: str) -> None:
    told = SettingTold("idle speed", "3,400 rpm", "2,700 rpm")
    (reading,) = numbers_in(words, "rpm" if value > 1 else "turn")
    assert reading.value == value
    assert told.role(reading) == role


@pytest.mark.parametrize(("said", "before", "after"), [
    ("Idle speed was 3,400 rpm, I brought it down to 2,700.", 3400, 2700),
    ("The idle was at 3,400 rpm. Turned the idle screw out until the tach said 2,700.", 3400, 2700),
    ("Set the idle speed to 2,700 rpm.", None, 2700),
    ("Idle speed is down to 2,700 now, it had been 3,400 rpm.", 3400, 2700),
])  # fmt: skip
def test_values_of_a_setting(said: str, before: float | None, after: float) -> None:
    told = draft(f"Chainsaw, two-stroke. The chain moves at idle. {said} The chain stands still now.", lexicon()).steps
    (step,) = [step.step for step in told if isinstance(step.step, Setting) and step.step.setting == "idle speed"]
    values = [number(words.replace(",", "").removesuffix(" rpm")) if words else None for words in (step.before, step.after)]
    assert values == [before, after]


def test_roles_held_back_are_mostly_told() -> None:
    """The words around a number alone tell its role mostly right, in notes that were left out."""
    names, settings = list(told_stories())[::12], package_vocabulary().terms["setting"]
    without, right = sayings("roles", without=names), []
    for told in (told for name in names for told in told_stories()[name]):
        for setting in told.settings:
            unit = settings[setting.label].unit
            numbers = numbers_in(told.text, unit)
            right += [without.guess(window(told.text, numbers, place)).label == setting.role(reading) for place, reading in enumerate(numbers)]
    print(f"{len(right)} numbers held back: {np.mean(right):.3f} right by their words alone")
    assert len(right) > 100
    assert np.mean(right) >= 0.6


def test_a_setting_of_a_folders_own_vocabulary_has_values_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """The encoder does not know it, and says only that its numbers are values."""
    settings = lexicon().vocabulary.terms["setting"]
    monkeypatch.setitem(settings, "flux gap", settings["plug gap"])  # type: ignore[index]
    parts = list(sentences("The flux gap was 12 thou. I set the flux gap to 8 thou, 20 minutes.", lexicon()))
    about = About("flux gap", 1, (0, len(parts[1].text)), ("", "8 thou"), parts, Encoded([clauses(part.text) for part in parts]), [])
    found = values(Choice(lexicon().vocabulary), about)
    assert found.before and found.before.reading.value == 12
    assert found.after and found.after.reading.value == 8
    assert "flux gap" not in found.after.encoded


def test_a_value_as_found_may_be_told_three_sentences_before() -> None:
    text = "Chainsaw. The chain moves at idle. The idle was at 3,600 rpm. Spring of the clutch looked fine. So did the drum. Turned the idle screw out to 2,700, and the chain stands."
    (step,) = [step.step for step in draft(text, lexicon()).steps if isinstance(step.step, Setting)]
    assert (step.before, step.after) == ("3,600 rpm", "2,700")
