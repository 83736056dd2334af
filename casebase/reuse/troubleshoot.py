"""Causes, checks and fixes as numbers: what an answer teaches, and what it is worth to know.

A belief is an array over causes: not negative, summing to 1 (it is scaled to that where needed). The
chance of something unknown is best kept as a cause of its own, which no fix cures. A check has a table
of likelihoods (outcomes x causes, each column summing to 1); an outcome "can't tell" with the same
chance under every cause is the right way to say that a check is not always answered. A fix has an
efficacy per cause: the chance that the machine works afterwards if that was the cause. Money and
minutes are both "cost"; the caller chooses the unit.

Sources: Quinlan 1986, Machine Learning 1:81-106 (gain, gain ratio); Heckerman, Breese & Rommelse 1995,
CACM (value of information in troubleshooting, the framework).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def _chances(values: npt.ArrayLike, where: str, dimensions: int) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != dimensions:
        raise ValueError(f"{where}: {array.ndim} dimensions are not allowed; give {dimensions}")
    bad = array[~((array >= -1e-12) & (array <= 1 + 1e-9))]
    if bad.size:
        raise ValueError(f"{where}: {bad[0]:g} is not allowed; give numbers from 0 to 1")
    return array


def _cost(value: float, where: str) -> None:
    if not (value >= 0 and np.isfinite(value)):
        raise ValueError(f"{where}: {value:g} is not allowed; give a number that is not negative")


@dataclass(frozen=True, slots=True, eq=False)
class Check:
    """Something to look at. likelihood: (outcomes, causes), P(outcome | cause); columns sum to 1.

    group: what must be taken apart first, by name (its cost is paid once); None if nothing.
    """

    name: str
    cost: float
    likelihood: FloatArray
    outcomes: tuple[str, ...] = ()
    group: str | None = None

    def __post_init__(self) -> None:
        _cost(self.cost, f"check {self.name!r}, cost")
        table = _chances(self.likelihood, f"check {self.name!r}, likelihood", 2)
        if (np.abs(table.sum(axis=0) - 1) > 1e-6).any():
            raise ValueError(f"check {self.name!r}, likelihood: the outcomes of each cause must sum to 1")
        if self.outcomes and len(self.outcomes) != len(table):
            raise ValueError(f"check {self.name!r}, outcomes: give {len(table)} names, one per row")
        object.__setattr__(self, "likelihood", table)

    def row(self, outcome: int | str) -> FloatArray:
        """P(outcome | cause) over causes; ValueError when the check has no such outcome."""
        if isinstance(outcome, str):
            if outcome not in self.outcomes:
                allowed = ", ".join(self.outcomes)
                raise ValueError(f"check {self.name!r}: {outcome!r} is not an outcome; allowed: {allowed}")
            outcome = self.outcomes.index(outcome)
        if not 0 <= outcome < len(self.likelihood):
            last = len(self.likelihood) - 1
            raise ValueError(f"check {self.name!r}: outcome {outcome} is not allowed; give 0 to {last}")
        found: FloatArray = self.likelihood[outcome]
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Fix:
    """Something to do, after which one sees whether the machine works. efficacy: (causes,), 0..1."""

    name: str
    cost: float
    efficacy: FloatArray
    group: str | None = None

    def __post_init__(self) -> None:
        _cost(self.cost, f"fix {self.name!r}, cost")
        object.__setattr__(self, "efficacy", _chances(self.efficacy, f"fix {self.name!r}, efficacy", 1))


@dataclass(frozen=True, slots=True, eq=False)
class Learning:
    """What one check would teach.

    chances: (outcomes,), P(outcome); posteriors: (outcomes, causes), the belief after each (the old
    belief where the outcome cannot happen); gain: bits; per_cost: bits per unit of cost; ratio: Quinlan's
    gain ratio.
    """

    check: Check
    chances: FloatArray
    posteriors: FloatArray
    gain: float
    per_cost: float
    ratio: float


def entropy(belief: npt.ArrayLike) -> float:
    """Shannon's entropy in bits of a belief, normalised first; 0 for an empty one."""
    weights = np.asarray(belief, dtype=np.float64)
    total = weights.sum()
    shares = weights[weights > 0] / total if total > 0 else weights[:0]
    return float(-(shares * np.log2(shares)).sum()) + 0.0


def normalised(belief: npt.ArrayLike) -> FloatArray:
    """The belief scaled to sum to 1; ValueError if nothing is left, that is, if all is ruled out."""
    weights = np.asarray(belief, dtype=np.float64)
    total = float(weights.sum())
    if total <= 0 or not np.isfinite(total) or (weights < 0).any():
        raise ValueError("belief: every cause is ruled out; at least one must keep a chance above 0")
    return np.asarray(weights / total)


def after_check(belief: npt.ArrayLike, check: Check, outcome: int | str) -> FloatArray:
    """Bayes: the belief after this outcome. ValueError for an outcome the check does not have, or one
    that none of the causes allows.
    """
    return normalised(np.asarray(belief, dtype=np.float64) * check.row(outcome))


def after_failed_fix(belief: npt.ArrayLike, fix: Fix) -> FloatArray:
    """The belief after the fix did not help: p' in proportion to p (1 - efficacy).

    Source: the troubleshooting literature (Jensen, Skaanning & Kjaerulff 2001); worked by hand in tests.
    """
    return normalised(np.asarray(belief, dtype=np.float64) * (1 - fix.efficacy))


def works(belief: npt.ArrayLike, fix: Fix) -> float:
    """The chance that the fix cures, over all causes: sum of p(c) e(fix, c)."""
    return float(np.asarray(belief, dtype=np.float64) @ fix.efficacy)


def learn(belief: npt.ArrayLike, check: Check) -> Learning:
    """Chances of the outcomes, the belief after each, and the information gained (Quinlan 1986)."""
    now = normalised(belief)
    joint = check.likelihood * now
    chances = joint.sum(axis=1)
    possible = chances > 0
    posteriors = np.tile(now, (len(chances), 1))
    posteriors[possible] = joint[possible] / chances[possible, None]
    left = sum(float(p) * entropy(row) for p, row in zip(chances, posteriors, strict=True))
    gain = max(entropy(now) - left, 0.0)
    split = entropy(chances)
    per_cost = gain / check.cost if check.cost > 0 else (float("inf") if gain > 0 else 0.0)
    return Learning(check, chances, posteriors, gain, per_cost, gain / split if split > 0 else 0.0)


def information_gain(belief: npt.ArrayLike, check: Check) -> float:
    """Bits the check is expected to teach: H(C) - sum of P(o) H(C | o)."""
    return learn(belief, check).gain


def gain_of_counts(table: npt.ArrayLike) -> tuple[float, float]:
    """Information gain and gain ratio of an attribute from counts, (values, classes).

    Source: Quinlan 1986. The ratio is 0 where the attribute has a single value.
    """
    counts = np.asarray(table, dtype=np.float64)
    totals = counts.sum(axis=1)
    after = sum(float(n) * entropy(row) for n, row in zip(totals, counts, strict=True)) / totals.sum()
    gain = entropy(counts.sum(axis=0)) - after
    split = entropy(totals)
    return gain, gain / split if split > 0 else 0.0


def chance_of_two(failed: Sequence[float], usual: float = 0.1) -> float:
    """The chance that two faults are there at once, after fixes that should have helped did not.

    failed: the chance each failed fix had of curing a single fault, at the time it was tried; usual: the
    share of machines with two faults, 0..1. With one fault a fix of chance q fails with 1 - q; with two it
    fails almost surely, since the other fault is still there. Two sure fixes (.7 and more) that fail lift
    the chance above one half. No published source: our own, by Bayes.
    """
    odds = 1.0
    for chance in (*failed, usual):
        if not 0 <= chance <= 1:
            raise ValueError(f"chance: {chance:g} is not allowed; give a number from 0 to 1")
    for chance in failed:
        odds /= 1 - min(chance, 0.99)
    return usual * odds / (usual * odds + 1 - usual)
