"""How alike two machines are: Gower's coefficient over what is known of both.

Gower (1971): S = Σ w·δ·s / Σ w·δ, where δ is 0 as soon as either side is unknown; with nothing known on both
sides S is undefined, never 0 or 1. Ranges are fixed by the trade, not by the data, so that a score does not
change when a case is added.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from casebase.retrieve.index import Index
from casebase.retrieve.understand import MachineSeen
from casebase.trade.terms import Kind, Vocabulary

FloatArray = npt.NDArray[np.float64]

WEIGHTS = {"kind": 3.0, "engine": 2.0, "carburettor": 1.5, "displacement": 1.0, "age": 0.5}
MAX_DISPLACEMENT_RATIO = 4.0
AGE_RANGE_YEARS = 20.0


def gower(parts: Sequence[tuple[float, float | None]]) -> tuple[float | None, float]:
    """Gower's S and the coverage from (weight, similarity) pairs, None where one side is unknown.

    Returns (S in [0, 1] or None when nothing is known on both sides, coverage = Σ w·δ / Σ w in [0, 1]).
    """
    total = sum(weight for weight, _similarity in parts)
    known = sum(weight for weight, similarity in parts if similarity is not None)
    if not known:
        return None, 0.0
    return sum(w * s for w, s in parts if s is not None) / known, known / total


def bounds(parts: Sequence[tuple[float, float | None]]) -> tuple[float, float]:
    """The lowest and highest S that any values of the unknown parts could give."""
    total = sum(weight for weight, _similarity in parts)
    low = sum(w * (s if s is not None else 0.0) for w, s in parts) / total
    high = sum(w * (s if s is not None else 1.0) for w, s in parts) / total
    return low, high


def linear(one: float, other: float, span: float) -> float:
    """1 − |x − y| / span, not below 0."""
    return max(0.0, 1.0 - abs(one - other) / span)


def log_ratio(one: float, other: float, most: float) -> float:
    """For sizes: 1 − |ln(x/y)| / ln(most), not below 0. Both must be positive."""
    return max(0.0, 1.0 - abs(math.log(one / other)) / math.log(most))


class Alike(NamedTuple):
    """Similarity and coverage per position; similarity is NaN where nothing is known on both sides."""

    similarity: FloatArray
    coverage: FloatArray
    parts: dict[str, FloatArray]


def compare(machine: MachineSeen, index: Index) -> Alike | None:
    """The machine of a question against those of all cases; None when the question says nothing of it."""
    parts: dict[str, FloatArray] = {}
    vocabulary, lists = index.lexicon.vocabulary, index.tables.lists
    named: tuple[tuple[str, Kind, str], ...] = (
        ("kind", "machine", machine.kind), ("engine", "engine", machine.engine),
        ("carburettor", "carburettor", machine.carburettor))
    for name, kind, label in named:
        if label:
            parts[name] = _nominal(index.column(name), lists[name], kind, label, vocabulary)
    if machine.displacement_cc:
        size = index.column("displacement_cc").astype(np.float64)
        with np.errstate(divide="ignore", invalid="ignore"):
            parts["displacement"] = np.clip(
                1 - np.abs(np.log(size / machine.displacement_cc)) / np.log(MAX_DISPLACEMENT_RATIO), 0, 1)
    if machine.age_years is not None:
        age = index.column("age_years").astype(np.float64)
        parts["age"] = np.clip(1 - np.abs(age - machine.age_years) / AGE_RANGE_YEARS, 0, 1)
    if not parts:
        return None
    asked = sum(WEIGHTS[name] for name in parts)
    known = sum(WEIGHTS[name] * ~np.isnan(values) for name, values in parts.items())
    total = sum(WEIGHTS[name] * np.nan_to_num(values) for name, values in parts.items())
    with np.errstate(invalid="ignore"):
        return Alike(np.asarray(total / np.where(known > 0, known, np.nan)), np.asarray(known / asked), parts)


def _nominal(column: npt.NDArray[np.int32], labels: Sequence[str], kind: Kind, wanted: str,
             vocabulary: Vocabulary) -> FloatArray:
    """Equal 1; for machines of one branch of the tree ½; else 0. Unknown is NaN."""
    table = [1.0 if label == wanted else 0.5 if kind == "machine" and _same_branch(label, wanted, vocabulary) else 0.0
             for label in labels]
    return np.array([*table, np.nan])[column]


def _same_branch(one: str, other: str, vocabulary: Vocabulary) -> bool:
    up_one, up_other = vocabulary.path("machine", one), vocabulary.path("machine", other)
    return len(up_one) > 1 and len(up_other) > 1 and up_one[1] == up_other[1]
