"""How long repairs hold: Kaplan-Meier curves, their bands, and the log-rank comparison of two fixes.

Times are in days (or running hours), not negative. An event is the same trouble coming back; without one
the time is the last day it was known to hold (censored). A repair nobody asked about is censored at 0
and so counts neither way. Censoring at the time of an event counts as at risk there.

Sources: Kaplan & Meier 1958, JASA 53:457-481; Greenwood 1926; log-log band: Kalbfleisch & Prentice;
bounds where none or all came back: Clopper & Pearson 1934, Biometrika 26:404-413; log-rank: Mantel 1966. Formulas
recalled, checked against published tables and an independent library.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

ENOUGH = 4
"""Repairs whose fate at a time must be known before a share is given; three are an anecdote (our choice)."""


@dataclass(frozen=True, slots=True)
class Point:
    """One event time: at risk just before it, events, share still holding after it, its standard error
    (Greenwood) and log-log band. The error is 0 and the band nothing more than the share when it is 0.
    """

    time: float
    at_risk: int
    events: int
    share: float
    error: float
    low: float
    high: float


def _observed(times: npt.ArrayLike, events: npt.ArrayLike) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    when, came_back = np.asarray(times, dtype=np.float64), np.asarray(events).astype(np.bool_)
    if when.ndim != 1 or when.shape != came_back.shape:
        raise ValueError("times, events: give one of each per repair")
    if not (np.isfinite(when) & (when >= 0)).all():
        raise ValueError("times: give numbers that are not negative")
    return when, came_back


def kaplan_meier(times: npt.ArrayLike, events: npt.ArrayLike, level: float = 0.95) -> list[Point]:
    """The curve, one point per event time, from `times` (N,) and `events` (N,) (1 came back, 0 censored).

    Empty when nothing ever came back. level: of the band at each time, between 0 and 1.
    """
    if not 0 < level < 1:
        raise ValueError(f"level: {level:g} is not allowed; give a number between 0 and 1")
    when, came_back = _observed(times, events)
    z = NormalDist().inv_cdf(0.5 + level / 2)
    share, spread, curve = 1.0, 0.0, []
    for time in np.unique(when[came_back]):
        at_risk = int((when >= time).sum())
        count = int((came_back & (when == time)).sum())
        share *= 1 - count / at_risk
        if count == at_risk:
            curve.append(Point(float(time), at_risk, count, 0.0, 0.0, 0.0, 0.0))
            break
        spread += count / (at_risk * (at_risk - count))
        # On the log(-log) scale the band cannot leave 0..1.
        shift = math.exp(z * math.sqrt(spread) / abs(math.log(share)))
        error = share * math.sqrt(spread)
        curve.append(Point(float(time), at_risk, count, share, error, share**shift, share ** (1 / shift)))
    return curve


def share_holding(curve: list[Point], time: float) -> float:
    """The share still holding at a time: the curve's last point at or before it; 1 before the first."""
    return next((point.share for point in reversed(curve) if point.time <= time), 1.0)


class Holding(NamedTuple):
    """The share of repairs still holding after `time` and its band, in [0, 1]; all None where it is not known.

    `known` counts the repairs whose fate at that time is known: back by then, or seen to hold that long.
    """

    time: float
    known: int
    share: float | None = None
    low: float | None = None
    high: float | None = None


def holding_after(times: npt.ArrayLike, events: npt.ArrayLike, time: float, level: float = 0.95) -> Holding:
    """The share still holding after `time`, from what `kaplan_meier` takes; give only repairs there is news of.

    Not known where fewer than `ENOUGH` fates are, and past the last day any repair was seen to hold. Where none
    or all came back the curve has no band; the exact bounds for so many cases stand in its place, so that four of
    four is never "all".
    """
    when, came_back = _observed(times, events)
    curve = [point for point in kaplan_meier(when, came_back, level) if point.time <= time]
    back = int((came_back & (when <= time)).sum())
    holding = int((when >= time).sum()) - int((came_back & (when == time)).sum())
    share = curve[-1].share if curve else 1.0
    known = back + holding
    if known < ENOUGH or (not holding and share):
        return Holding(time, known)
    bound = (0.5 - level / 2) ** (1 / known)
    if not curve:
        return Holding(time, known, 1.0, bound, 1.0)
    if not share:
        return Holding(time, known, 0.0, 0.0, 1 - bound)
    return Holding(time, known, share, curve[-1].low, curve[-1].high)


@dataclass(frozen=True, slots=True)
class LogRank:
    """Events seen in the first group, events expected there if both were alike, variance, chi-square on
    one degree of freedom and its p-value.
    """

    observed: float
    expected: float
    variance: float
    chi_square: float
    p_value: float


def log_rank(
    times: npt.ArrayLike, events: npt.ArrayLike, other_times: npt.ArrayLike, other_events: npt.ArrayLike
) -> LogRank | None:
    """Whether two fixes hold equally long. None if the events allow no comparison."""
    first, first_events = _observed(times, events)
    second, second_events = _observed(other_times, other_events)
    moments = np.unique(np.concatenate([first[first_events], second[second_events]]))
    expected = variance = 0.0
    for time in moments:
        ours, all_ = int((first >= time).sum()), int((first >= time).sum() + (second >= time).sum())
        count = int((first_events & (first == time)).sum() + (second_events & (second == time)).sum())
        expected += count * ours / all_
        if all_ > 1:
            variance += count * ours / all_ * (1 - ours / all_) * (all_ - count) / (all_ - 1)
    if variance <= 0:
        return None
    observed = float(first_events.sum())
    chi_square = (observed - expected) ** 2 / variance
    return LogRank(observed, expected, variance, chi_square, math.erfc(math.sqrt(chi_square / 2)))
