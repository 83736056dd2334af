"""What it costs to get a machine going by fixes alone, for many states of belief in one pass.

The fixes are taken in p/c order, with updates after failures where one cause has several fixes, with
giving up where that is cheaper, and with taking a group of parts apart paid once.

Sources: Heckerman, Breese & Rommelse 1995, CACM (order by p/c); Langseth & Jensen 2001 (shared
disassembly; the best-beginning rule used here for it is Sidney 1975, optimal for a single fault when no
cause has two fixes).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from casebase.reuse.troubleshoot import FloatArray

NEVER = 1e-12
_GREEDY_STEPS = 4
_SHARPNESS = 4  # high: a cause goes almost wholly to its best fix


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """Fixes as arrays: cost (F,), efficacy (F, C), group (F,) with -1 for none; give_up may be inf."""

    cost: FloatArray
    efficacy: FloatArray
    group: npt.NDArray[np.intp]
    apart: bool  # no cause has two fixes: the p/c order is then exact, without updates in between
    give_up: float


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Many situations at once: belief (R, C), unnormalised; free (R, F): fix not tried yet;
    setup (R, G): what it still costs to take each group apart.
    """

    belief: FloatArray
    free: npt.NDArray[np.bool_]
    setup: FloatArray

    def __getitem__(self, at: npt.NDArray[np.intp]) -> Rows:
        return Rows(self.belief[at], self.free[at], self.setup[at])

    def only(self, causes: npt.NDArray[np.intp], fixes: npt.NDArray[np.intp]) -> Rows:
        """The same situations seen through some of the causes and fixes."""
        return Rows(self.belief[:, causes], self.free[:, fixes], self.setup)


def _keys(success: FloatArray, bench: Bench, rows: Rows) -> tuple[FloatArray, FloatArray]:
    """Sort keys (R, F), highest first, and costs (R, F) with the disassembly on the first of a group."""
    ratio = np.where(rows.free, success / np.maximum(bench.cost, NEVER), -1.0)
    cost = np.where(success > NEVER, bench.cost, 0.0)
    if not rows.setup.any():
        return ratio, cost
    key = ratio.copy()
    for g in np.flatnonzero(rows.setup.any(axis=0)):
        members = np.flatnonzero(bench.group == g)
        if not members.size:
            continue
        inside = np.argsort(-ratio[:, members], axis=1)
        gains = np.take_along_axis(success[:, members], inside, axis=1).cumsum(axis=1)
        costs = bench.cost[members][inside].cumsum(axis=1) + rows.setup[:, g : g + 1]
        best = (gains / np.maximum(costs, NEVER)).max(axis=1, keepdims=True)
        opened = rows.setup[:, g : g + 1] == 0
        # The tiny share of its own ratio keeps the fixes of a group in order among themselves.
        tied = np.minimum(ratio[:, members], best) * (1 - 1e-9) + 1e-9 * ratio[:, members]
        key[:, members] = np.where(opened, ratio[:, members], tied)
        first = members[inside[:, 0]]
        at = np.arange(len(first))
        cost[at, first] += np.where(success[at, first] > NEVER, rows.setup[:, g], 0.0)
    return key, cost


def expected_costs(bench: Bench, rows: Rows) -> FloatArray:
    """(R,): expected cost of fixing in p/c order from each situation, giving up where that is cheaper.

    Unnormalised as the beliefs are. A chance no fix can cure costs the giving up, or nothing if that
    has no price (every course then ends with the same chance left).
    """
    if not len(bench.cost):
        mass = rows.belief.sum(axis=1)
        return np.asarray(mass * bench.give_up if np.isfinite(bench.give_up) else mass * 0)
    if bench.apart:
        return _in_order(bench, rows, rows.belief.sum(axis=1), np.zeros(len(rows.belief)), None)
    return _greedy(bench, rows)


def _in_order(
    bench: Bench, rows: Rows, mass: FloatArray, spent: FloatArray, best: FloatArray | None
) -> FloatArray:
    success = _shared_success(bench, rows)
    key, cost = _keys(success, bench, rows)
    at, order = np.arange(len(mass))[:, None], np.argsort(-key, axis=1)
    gained = success[at, order].cumsum(axis=1)
    left = np.maximum(mass[:, None] - gained, 0.0)
    before = np.concatenate([mass[:, None], left[:, :-1]], axis=1)
    paid = spent[:, None] + (before * cost[at, order]).cumsum(axis=1)
    if not np.isfinite(bench.give_up):
        return np.asarray(paid[:, -1])
    stop = (paid + left * bench.give_up).min(axis=1)
    stop = np.minimum(stop, spent + mass * bench.give_up)
    return np.asarray(stop if best is None else np.minimum(stop, best))


def _shared_success(bench: Bench, rows: Rows) -> FloatArray:
    """(R, F): the chance each fix adds. A cause with several fixes is shared out among those not tried
    yet, mostly to the best efficacy per cost, so that no cause is cured twice.
    """
    if bench.apart:
        return np.asarray((rows.belief @ bench.efficacy.T) * rows.free)
    rate = (bench.efficacy / np.maximum(bench.cost, NEVER)[:, None]) ** _SHARPNESS
    whole = np.maximum(rows.free @ rate, NEVER)
    return np.asarray(((rows.belief / whole) @ (rate * bench.efficacy).T) * rows.free)


def _greedy(bench: Bench, rows: Rows) -> FloatArray:
    """As `_in_order`, updating the belief after each of the first failed fixes.

    Where one cause has several fixes, a failure lowers the worth of the others. After a few fixes
    little is left, and the rest goes by one fixed order.
    """
    at = np.arange(len(rows.belief))
    belief, free, setup = rows.belief.copy(), rows.free.copy(), rows.setup.copy()
    spent, best = np.zeros(len(at)), None
    for _ in range(min(_GREEDY_STEPS, len(bench.cost))):
        mass = belief.sum(axis=1)
        if np.isfinite(bench.give_up):
            stop = spent + mass * bench.give_up
            best = stop if best is None else np.minimum(best, stop)
        success = (belief @ bench.efficacy.T) * free
        key, cost = _keys(success, bench, Rows(belief, free, setup))
        pick = key.argmax(axis=1)
        spent = spent + mass * cost[at, pick]
        belief *= 1 - bench.efficacy[pick] * free[at, pick][:, None]
        free[at, pick] = False
        grouped = bench.group[pick] >= 0
        setup[at[grouped], bench.group[pick[grouped]]] = 0.0
    return _in_order(bench, Rows(belief, free, setup), belief.sum(axis=1), spent, best)
