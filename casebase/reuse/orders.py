"""In which order to try: the p/c rule, expected cost of repair, when to call it off; and all orders.

Costs are in any one unit; probabilities refer to a single fault. Sources: Heckerman, Breese & Rommelse
1995, CACM (rule recalled; checked here by enumerating every order); an early order by probability and
cost, on aircraft engines: Stolurow, Bergum, Hodgson & Silva 1955.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np
import numpy.typing as npt

from casebase.reuse.troubleshoot import Fix

Order = tuple[int, ...]
MOST = 8  # 8! = 40 320 orders are enumerated in a blink; 9! are not
MOST_BY_SETS = 12  # 2^12 sets of fixes


@dataclass(frozen=True, slots=True)
class Priced:
    """One order (positions of the items) and its expected cost."""

    order: Order
    cost: float


def _check(chances: Sequence[float], *costs: Sequence[float]) -> None:
    for row in costs:
        if len(row) != len(chances):
            raise ValueError("costs: give one per chance")
        for cost in row:
            if not (cost >= 0 and math.isfinite(cost)):
                raise ValueError(f"costs: {cost:g} is not allowed; give numbers that are not negative")
    for p in chances:
        if not 0 <= p <= 1:
            raise ValueError(f"chances: {p:g} is not allowed; give numbers from 0 to 1")
    if math.fsum(chances) > 1 + 1e-9:
        raise ValueError(f"chances: they sum to {math.fsum(chances):g}; a single fault allows at most 1")


def pc_order(chances: Sequence[float], costs: Sequence[float]) -> Order:
    """Positions by falling chance per cost; ties keep the order given. Something free comes first."""
    _check(chances, costs)
    worth = [p / c if c > 0 else (math.inf if p > 0 else 0.0) for p, c in zip(chances, costs, strict=True)]
    return tuple(sorted(range(len(worth)), key=lambda i: -worth[i]))


def cost_check_then_repair(
    order: Sequence[int],
    chances: Sequence[float],
    check_costs: Sequence[float],
    repair_costs: Sequence[float],
) -> float:
    """Look at each part in turn (a sure check), repair the one found faulty.

    Sum of (1 - sum of earlier p) C_check + p C_repair.
    """
    _check(chances, check_costs, repair_costs)
    left, total = 1.0, 0.0
    for i in order:
        total += left * check_costs[i] + chances[i] * repair_costs[i]
        left -= chances[i]
    return total


def cost_repair_and_see(
    order: Sequence[int], chances: Sequence[float], costs: Sequence[float], give_up: float = 0.0
) -> float:
    """Do each fix in turn until the machine works; what is left at the end costs `give_up`.

    Sum of (1 - sum of earlier p) C, plus the chance left times the cost of giving up. With efficacies,
    pass p times efficacy as chances.
    """
    _check(chances, costs, [give_up] * len(chances))
    left, total = 1.0, 0.0
    for i in order:
        total += left * costs[i]
        left -= chances[i]
    return total + max(left, 0.0) * give_up


def cost_of_fixes(
    order: Sequence[int],
    belief: npt.ArrayLike,
    fixes: Sequence[Fix],
    setups: Mapping[str, float] | None = None,
    give_up: float = 0.0,
) -> float:
    """Expected cost of fixes that may fail, and may each cure several causes, in this order.

    belief: (causes,), summing to at most 1, updated after every failure; setups: cost of taking each
    group apart, paid once. ValueError for a group without a cost.
    """
    left, total, closed = np.array(belief, dtype=np.float64), 0.0, dict(setups or {})
    beyond = max(1.0 - float(left.sum()), 0.0)
    for i in order:
        group = fixes[i].group
        apart = _setup(fixes[i], closed)
        if group is not None:
            closed[group] = 0.0
        total += (float(left.sum()) + beyond) * (fixes[i].cost + apart)
        left *= 1 - fixes[i].efficacy
    return total + (float(left.sum()) + beyond) * give_up


def call_off(chances: Sequence[float], costs: Sequence[float], give_up: float) -> Priced:
    """How far down the p/c order to go before giving up: the cheapest of all its beginnings.

    An empty order means: give up at once. give_up: the cost of it, for instance of another machine.
    """
    order = pc_order(chances, costs)
    tries = [
        Priced(order[:n], cost_repair_and_see(order[:n], chances, costs, give_up))
        for n in range(len(order) + 1)
    ]
    return min(tries, key=lambda tried: tried.cost)


def worth_trying(chance: float, cost: float, left: float, give_up: float) -> bool:
    """The greedy test before one more fix: its cost must be below give_up * p / (chance still left)."""
    return left > 0 and cost < give_up * chance / left


def cheapest_order(
    count: int,
    left: Callable[[int], float],
    cost: Callable[[int, int], float],
    give_up: float = 0.0,
    *,
    may_stop: bool = True,
) -> Priced:
    """The cheapest of all orders (and, with `may_stop`, of all their beginnings), exactly.

    What is left to pay depends only on which fixes were done, not on their order, so that going through
    the sets of fixes is as good as going through the orders. left(done): chance that the machine still
    does not work, done being a bit mask; cost(done, i): of fix i then. ValueError above twelve fixes.
    """
    if count > MOST_BY_SETS:
        raise ValueError(f"fixes: {count} are not allowed; at most {MOST_BY_SETS} can be put in order")
    everything = (1 << count) - 1
    best: dict[int, tuple[float, int]] = {everything: (left(everything) * give_up, -1)}
    for done in range(everything - 1, -1, -1):
        chance = left(done)
        found = (chance * give_up, -1) if may_stop else (math.inf, -1)
        for i in range(count):
            if not done >> i & 1:
                total = chance * cost(done, i) + best[done | 1 << i][0]
                if total < found[0]:
                    found = (total, i)
        best[done] = found
    order, done = [], 0
    while (i := best[done][1]) >= 0:
        order.append(i)
        done |= 1 << i
    return Priced(tuple(order), best[0][0])


def cheapest_fixes(
    belief: npt.ArrayLike,
    fixes: Sequence[Fix],
    setups: Mapping[str, float] | None = None,
    give_up: float = 0.0,
    *,
    may_stop: bool = True,
) -> Priced:
    """The best order for fixes as in `cost_of_fixes`, with the same arguments and errors; at most twelve."""
    start, known = np.asarray(belief, dtype=np.float64), dict(setups or {})
    for fix in fixes:
        _setup(fix, known)
    beyond = max(1.0 - float(start.sum()), 0.0)
    members = {g: sum(1 << i for i, fix in enumerate(fixes) if fix.group == g) for g in known}

    def left(done: int) -> float:
        failed = [1 - fix.efficacy for i, fix in enumerate(fixes) if done >> i & 1]
        return float(np.prod([start, *failed], axis=0).sum()) + beyond

    def cost(done: int, i: int) -> float:
        group = fixes[i].group
        return fixes[i].cost + (known[group] if group is not None and not done & members[group] else 0.0)

    return cheapest_order(len(fixes), left, cost, give_up, may_stop=may_stop)


def _setup(fix: Fix, known: Mapping[str, float]) -> float:
    """The cost of taking apart what the fix needs; ValueError if it has none."""
    if fix.group is None:
        return 0.0
    if fix.group not in known:
        raise ValueError(f"fix {fix.name!r}, group: {fix.group!r} has no cost; allowed: {sorted(known)}")
    return known[fix.group]


def every_order(count: int, price: Callable[[Order], float]) -> list[Priced]:
    """All orders of `count` items, cheapest first; price gives an order's expected cost.

    ValueError for more than eight items.
    """
    return sorted((Priced(order, price(order)) for order in _orders(count)), key=lambda p: p.cost)


def best_order(count: int, price: Callable[[Order], float]) -> Priced:
    """The cheapest of all orders, without keeping the others. Same limit as `every_order`."""
    return min((Priced(order, price(order)) for order in _orders(count)), key=lambda p: p.cost)


def _orders(count: int) -> Iterator[Order]:
    if count > MOST:
        raise ValueError(f"items: {count} are not allowed; all orders can be tried for at most {MOST}")
    return permutations(range(count))
