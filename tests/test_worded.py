"""Values of settings told by words and no number. How they are told is common practice, no source."""

from __future__ import annotations

import pytest

from casebase.trade.readings import find_readings
from casebase.trade.worded import is_worded, worded, worded_value


@pytest.mark.parametrize(("text", "unit", "values"), [
    ("put it in the second hole, it had been in hole four", "", [("second hole", 2), ("hole four", 4)]),
    ("from the outer to the inner one", "", [("outer", 11), ("inner one", 14)]),
    ("from the first mark to the fourth mark", "turn", [("first mark", 1), ("fourth mark", 4)]),
    ("wound it from the first mark up to the fourth", "turn", [("first mark", 1), ("fourth", 4)]),
    ("set level with the floor, there was no clearance before", "mm", [("level", 0), ("no clearance", 0)]),
    ("on the third attempt it ran, which was second hand and far too rich at first", "", []),
    ("it was 0.15, 1.0 and 0,25, mark two and a half, oil level right", "mm", []),
    ("zero on the tachometer", "rpm", []),
    ("there was no play in it at all, zero", "mm", [("zero", 0)]),
])  # fmt: skip
def test_words_that_may_be_values(text: str, unit: str, values: list[tuple[str, float]]) -> None:
    found = list(worded(text, unit))
    assert [(reading.text, reading.value) for reading in found] == values
    assert all(text[reading.start: reading.end] == reading.text and is_worded(reading) for reading in found)


@pytest.mark.parametrize(("words", "value"), [
    ("second", 2), ("the third hole", 3), ("hole two", 2), ("two", 2), ("flush with the floor", 0), ("nought", 0), ("no slack at all", 0), ("finger tight", None), ("", None)])
def test_the_value_of_words(words: str, value: float | None) -> None:
    assert worded_value(words) == value


def test_a_quantity_is_not_worded() -> None:
    assert not any(map(is_worded, find_readings("from 8 mm to half an inch, third of a turn, an eighth of an inch")))
