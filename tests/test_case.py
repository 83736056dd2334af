"""The parts a case is made of."""

from __future__ import annotations

import dataclasses
from datetime import date

import pytest
from helpers import full_case

from casebase.record.case import Case, Check, Followup, Machine, citation


@pytest.mark.parametrize(
    ("case_id", "cited"),
    [
        ("26-014-dies-when-tilted", "26-014"),
        ("26-1014-x", "26-1014"),
        ("26-014", "26-014"),
        ("26-14-x", "26-14-x"),
        ("126-014-x", "126-014-x"),
        ("saw", "saw"),
    ],
)
def test_a_case_is_cited_by_year_and_number(case_id: str, cited: str) -> None:
    assert citation(case_id) == cited
    assert Case(case_id, "T", date(2026, 1, 1), Machine("saw"), "c").number == cited


def test_repairs_are_the_steps_that_changed_something_in_order() -> None:
    case = full_case()
    assert list(case.repairs()) == [step for step in case.steps if not isinstance(step, Check)]
    assert len(list(case.repairs())) == 2


@pytest.mark.parametrize(
    ("statuses", "came_back"),
    [((), False), (("holding", "unknown"), False), (("came back",), True), (("came back", "holding"), True)],
)
def test_a_case_came_back_if_any_follow_up_says_so(statuses: tuple[str, ...], came_back: bool) -> None:
    news = tuple(Followup(date(2026, 5, 1), status) for status in statuses)  # type: ignore[arg-type]
    assert dataclasses.replace(full_case(), followups=news).came_back is came_back


def test_what_is_private_does_not_show_when_a_case_is_printed() -> None:
    case = full_case()
    assert "Invented Name" in str(case.private)
    assert "Invented Name" not in repr(case)


def test_a_case_cannot_be_changed() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        full_case().title = "other"  # type: ignore[misc]
