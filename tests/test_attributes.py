"""Likeness of machines: Gower's coefficient, the unknown, and the vectors that ranking uses."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_folders import index_with

from casebase.retrieve.attributes import (
    AGE_RANGE_YEARS,
    MAX_DISPLACEMENT_RATIO,
    WEIGHTS,
    bounds,
    compare,
    gower,
    linear,
    log_ratio,
)
from casebase.retrieve.understand import MachineSeen

unit = st.floats(0, 1)
weighed = st.lists(st.tuples(st.floats(0.01, 10), st.none() | unit), min_size=1, max_size=8)


def test_gower_worked_example() -> None:
    # Gower 1971, Biometrics 27:857-871; our own numbers by its formula: a match of weight 3, 30 against 45 over a
    # range of 60 of weight 2, a mismatch of weight 1, and a feature absent on both sides, which is no evidence.
    similarity, coverage = gower([(3, 1.0), (2, linear(30, 45, 60)), (1, 0.0), (1, None)])
    assert similarity == pytest.approx((3 + 1.5 + 0) / 6) == 0.75
    assert coverage == pytest.approx(6 / 7)


def test_policies_for_the_unknown() -> None:
    # Our own example: ignoring, the worst, the best and the middle for one unknown part of weight 2 among 8.
    parts = [(3, 1.0), (2, 0.75), (2, None), (1, 0.0)]
    assert gower(parts) == pytest.approx((0.75, 0.75))
    assert bounds(parts) == pytest.approx((0.5625, 0.8125))
    assert sum(bounds(parts)) / 2 == pytest.approx(0.6875)


def test_nothing_known_is_neither_alike_nor_unlike() -> None:
    assert gower([(3, None), (2, None)]) == (None, 0.0)
    assert gower([]) == (None, 0.0)
    assert bounds([(3, None), (2, None)]) == (0.0, 1.0)


@given(weighed)
def test_the_ignored_lies_between_the_bounds(parts: list[tuple[float, float | None]]) -> None:
    low, high = bounds(parts)
    similarity, coverage = gower(parts)
    assert 0 <= coverage <= 1 + 1e-12
    if similarity is None:
        assert coverage == 0
    else:
        assert low - 1e-9 <= similarity <= high + 1e-9
        assert high - low == pytest.approx(1 - coverage, abs=1e-9)


@given(weighed)
def test_with_everything_known_there_is_no_room(parts: list[tuple[float, float | None]]) -> None:
    known = [(weight, similarity or 0.0) for weight, similarity in parts]
    similarity, coverage = gower([*known])
    assert similarity is not None
    assert bounds([*known]) == pytest.approx((similarity, similarity))
    assert coverage == pytest.approx(1)


def test_linear() -> None:
    # Our own: 100 against 130 psi over a fixed range of 150.
    assert linear(100, 130, 150) == pytest.approx(0.8)
    assert linear(100, 130, 150) == linear(130, 100, 150)
    assert linear(0, 200, 150) == 0
    assert linear(7, 7, 150) == 1


def test_log_ratio() -> None:
    assert log_ratio(25, 50, 4) == pytest.approx(0.5)
    assert log_ratio(50, 25, 4) == pytest.approx(0.5)
    assert log_ratio(25, 100, 4) == pytest.approx(0)
    assert log_ratio(25, 500, 4) == 0
    assert log_ratio(40, 40, 4) == 1


@given(st.floats(1, 1000), st.floats(1, 1000), st.floats(0.1, 10))
def test_a_ratio_does_not_depend_on_the_unit(one: float, other: float, scale: float) -> None:
    assert log_ratio(one, other, 4) == pytest.approx(log_ratio(one * scale, other * scale, 4), abs=1e-9)


MACHINES: dict[str, dict[str, str]] = {
    "26-001-same": {"kind": "chainsaw", "engine": "two-stroke", "displacement": "40 cc", "age": "5 years"},
    "26-002-branch": {"kind": "blower", "engine": "two-stroke", "displacement": "80 cc"},
    "26-003-other": {"kind": "walk-behind mower", "engine": "four-stroke", "age": "25 years"},
    "26-004-own-word": {"kind": "rocket sled"},
}


def test_the_vectors_agree_with_the_formulas_one_by_one(tmp_path: Path) -> None:
    index = index_with(tmp_path, {name: {"machine": machine} for name, machine in MACHINES.items()})
    asked = MachineSeen("chainsaw", "two-stroke", "", 40.0, 5.0)
    alike = compare(asked, index)
    assert alike is not None
    assert [index.id(position) for position in range(4)] == list(MACHINES)
    kinds, engines = (1.0, 0.5, 0.0, 0.0), (1.0, 1.0, 0.0, None)
    sizes = (1.0, log_ratio(80, 40, MAX_DISPLACEMENT_RATIO), None, None)
    ages = (1.0, None, linear(25, 5, AGE_RANGE_YEARS), None)
    for position in range(4):
        parts = [
            (WEIGHTS["kind"], kinds[position]),
            (WEIGHTS["engine"], engines[position]),
            (WEIGHTS["displacement"], sizes[position]),
            (WEIGHTS["age"], ages[position]),
        ]
        similarity, coverage = gower(parts)
        assert alike.similarity[position] == pytest.approx(similarity)
        assert alike.coverage[position] == pytest.approx(coverage)
    assert set(alike.parts) == {"kind", "engine", "displacement", "age"}


def test_what_was_not_asked_is_not_compared(tmp_path: Path) -> None:
    index = index_with(tmp_path, {name: {"machine": machine} for name, machine in MACHINES.items()})
    assert compare(MachineSeen(), index) is None
    alike = compare(MachineSeen(carburettor="diaphragm"), index)
    assert alike is not None
    assert np.isnan(alike.similarity).all()
    assert (alike.coverage == 0).all()


def test_a_kind_no_case_has_and_no_vocabulary_knows(tmp_path: Path) -> None:
    index = index_with(tmp_path, {name: {"machine": machine} for name, machine in MACHINES.items()})
    alike = compare(MachineSeen(kind="moon buggy"), index)
    assert alike is not None
    assert alike.similarity.tolist() == [0, 0, 0, 0]


def test_sizes_that_make_no_ratio_are_no_likeness(tmp_path: Path) -> None:
    sizes = {"26-001-a": {"kind": "chainsaw", "displacement": "0 cc"}, "26-002-b": {"kind": "chainsaw"}}
    index = index_with(tmp_path, {name: {"machine": machine} for name, machine in sizes.items()})
    alike = compare(MachineSeen(displacement_cc=40.0), index)
    assert alike is not None
    assert alike.similarity[0] == 0
    assert math.isnan(alike.similarity[1])
