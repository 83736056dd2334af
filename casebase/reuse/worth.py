"""Courses of action in money: which fixes in which order, what comes after a failure, repair or replace.

A course is an ordered list of fixes, each with a price, minutes and a chance, and what follows when all
of them have failed (another machine, for instance). Chances are of the fix being the one that cures:
under a single fault they add up to at most 1. Money already spent is no part of any of it. All amounts
are in one currency; nothing here decides, it only counts.

Sources: expected cost and order: Heckerman, Breese & Rommelse 1995, CACM (rule recalled, all orders tried
here). Cost per year: renewal-reward (Ross), a ratio of expectations and never a mean of ratios.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from casebase.reuse.intervals import BetaPosterior, Interval, check_amount, check_chance
from casebase.reuse.orders import cheapest_order

FloatArray = npt.NDArray[np.float64]
DRAWS = 20_000
SEED = 20_240_229  # fixed, so that the same question gets the same answer


@dataclass(frozen=True, slots=True)
class Step:
    """One fix. price: parts; minutes: of work; chance: that it cures, 0..1; belief: how sure the chance
    is, drawn from by `compare`, None for a figure given by hand; group: what must be taken apart first.
    """

    name: str
    price: float
    minutes: float
    chance: float
    belief: BetaPosterior | None = None
    group: str | None = None

    def __post_init__(self) -> None:
        check_amount(self.price, f"{self.name}, price")
        check_amount(self.minutes, f"{self.name}, minutes")
        check_chance(self.chance, f"{self.name}, chance")

    def cost(self, hourly: float) -> float:
        """Parts and work; hourly: what an hour of work costs."""
        return self.price + self.minutes / 60 * hourly


@dataclass(frozen=True, slots=True)
class Course:
    """Fixes in order, and what it costs when none of them helped (afterwards: "another machine").

    conditional: each chance is of that fix working once the earlier ones have failed; otherwise the
    chances are shares of one whole (a single fault) and sum to at most 1. setups: name and cost of what
    is taken apart, paid once, when the first step of that group is reached.
    """

    name: str
    steps: tuple[Step, ...]
    fallback: float = 0.0
    afterwards: str = "stop"
    conditional: bool = False
    setups: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        check_amount(self.fallback, f"{self.name}, fallback")
        for group, cost in self.setups:
            check_amount(cost, f"{self.name}, setups, {group}")
        known = [group for group, _ in self.setups]
        for step in self.steps:
            if step.group is not None and step.group not in known:
                raise ValueError(f"{step.name}, group: {step.group!r} has no cost; allowed: {known}")
        total = math.fsum(step.chance for step in self.steps)
        if not self.conditional and total > 1 + 1e-9:
            raise ValueError(f"{self.name}, chances: they sum to {total:g}; at most 1 is allowed")


@dataclass(frozen=True, slots=True)
class Outlook:
    """What a course leads to. cost: expected; cured: chance that one of its fixes cures; reached: the
    chance that each step has to be done; worst: the cost when everything fails.
    """

    cost: float
    cured: float
    reached: tuple[float, ...]
    worst: float


def outlook(course: Course, hourly: float = 0.0) -> Outlook:
    """The expected cost of a course and how it comes about. hourly: what an hour of work costs."""
    left, cost, reached = 1.0, 0.0, []
    costs = _costs(course, hourly)
    for step, own in zip(course.steps, costs, strict=True):
        reached.append(left)
        cost += left * own
        left = left * (1 - step.chance) if course.conditional else max(left - step.chance, 0.0)
    worst = math.fsum(costs) + course.fallback
    return Outlook(cost + left * course.fallback, 1 - left, tuple(reached), worst)


def _costs(course: Course, hourly: float) -> list[float]:
    """What each step costs when it is reached, taking apart included where it is the first to need it."""
    check_amount(hourly, "hourly")
    closed, costs = dict(course.setups), []
    for step in course.steps:
        costs.append(step.cost(hourly) + (closed.pop(step.group, 0.0) if step.group else 0.0))
    return costs


def cheapest_course(course: Course, hourly: float = 0.0, *, may_stop: bool = True) -> Course:
    """The same fixes in the order (and, with `may_stop`, up to the step) of lowest expected cost.

    Exact over all orders and places to stop, for at most twelve fixes, else ValueError. Conditional
    chances are taken to be the same in every order.
    """
    check_amount(hourly, "hourly")
    steps, setups = course.steps, dict(course.setups)
    own = [step.cost(hourly) for step in steps]
    members = {g: sum(1 << i for i, step in enumerate(steps) if step.group == g) for g in setups}

    def left(done: int) -> float:
        tried = [step.chance for i, step in enumerate(steps) if done >> i & 1]
        return math.prod(1 - p for p in tried) if course.conditional else max(1 - math.fsum(tried), 0.0)

    def cost(done: int, i: int) -> float:
        group = steps[i].group
        return own[i] + (setups[group] if group is not None and not done & members[group] else 0.0)

    best = cheapest_order(len(steps), left, cost, course.fallback, may_stop=may_stop)
    return replace(course, steps=tuple(steps[i] for i in best.order))


def break_even_price(course: Course, other: float, step: int, hourly: float = 0.0) -> float | None:
    """The price of one step below which the course costs less than `other` (money).

    step: its position. None when no price would do, because it would have to be negative.
    """
    _check_step(course, step)
    free = replace(course.steps[step], price=0.0)
    base = outlook(_with(course, step, free), hourly)
    reach = base.reached[step]
    if reach <= 0:
        return None
    price = (other - base.cost) / reach
    return price if price >= 0 else None


def break_even_chance(course: Course, other: float, step: int, hourly: float = 0.0) -> float | None:
    """The chance of one step at which the course costs the same as `other`; above it, it costs less.

    None when no chance from 0 to what the other steps leave makes the two equal.
    """
    _check_step(course, step)
    others = math.fsum(s.chance for i, s in enumerate(course.steps) if i != step)
    most = 1.0 if course.conditional else max(1.0 - others, 0.0)

    def cost(chance: float) -> float:
        return outlook(_with(course, step, replace(course.steps[step], chance=chance)), hourly).cost

    at_none, at_most = cost(0.0), cost(most)
    if at_none == at_most:
        return None
    chance = most * (other - at_none) / (at_most - at_none)  # the cost is a straight line in the chance
    return chance if 0 <= chance <= most else None


def _check_step(course: Course, step: int) -> None:
    if not 0 <= step < len(course.steps):
        raise ValueError(f"step: {step} does not exist; allowed: 0 to {len(course.steps) - 1}")


def _with(course: Course, step: int, changed: Step) -> Course:
    return replace(course, steps=(*course.steps[:step], changed, *course.steps[step + 1 :]))


@dataclass(frozen=True, slots=True)
class Difference:
    """first minus second, in money: mean, an interval, and the chance that the first costs less."""

    mean: float
    low: float
    high: float
    first_cheaper: float


def compare(
    first: Course, second: Course, hourly: float = 0.0, level: float = 0.9, draws: int = DRAWS
) -> Difference:
    """How sure the difference in expected cost is, by drawing every chance from its belief.

    A step by the same name and with the same belief has the same chance in both courses, in every draw.
    Chances without a belief stay as given. The seed is fixed. level: of the interval, between 0 and 1.
    """
    if not 0 < level < 1:
        raise ValueError(f"level: {level:g} is not allowed; give a number between 0 and 1")
    rng = np.random.default_rng(SEED)
    drawn: dict[tuple[str, BetaPosterior], FloatArray] = {}
    for step in (*first.steps, *second.steps):
        if step.belief is not None and (step.name, step.belief) not in drawn:
            drawn[step.name, step.belief] = rng.beta(step.belief.a, step.belief.b, draws)
    gap = _drawn_costs(first, drawn, hourly, draws) - _drawn_costs(second, drawn, hourly, draws)
    low, high = np.quantile(gap, [(1 - level) / 2, (1 + level) / 2])
    ties = float((gap == 0).mean())
    return Difference(float(gap.mean()), float(low), float(high), float((gap < 0).mean()) + ties / 2)


def _drawn_costs(
    course: Course, drawn: dict[tuple[str, BetaPosterior], FloatArray], hourly: float, draws: int
) -> FloatArray:
    chances = [
        np.full(draws, step.chance) if step.belief is None else drawn[step.name, step.belief]
        for step in course.steps
    ]
    # Chances drawn one by one may sum to more than the whole; they are then scaled back to it.
    total = np.maximum(np.sum(chances, axis=0), 1.0) if not course.conditional and chances else 1.0
    left, cost = np.ones(draws), np.zeros(draws)
    for own, chance in zip(_costs(course, hourly), chances, strict=True):
        cost += left * own
        left = left * (1 - chance) if course.conditional else np.maximum(left - chance / total, 0.0)
    return np.asarray(cost + left * course.fallback)


def interval_of_cost(course: Course, hourly: float = 0.0, level: float = 0.9) -> Interval:
    """The interval of the course's expected cost itself, from the same draws as `compare`."""
    nothing = Course("nothing", ())
    found = compare(course, nothing, hourly, level)
    return Interval(found.low, found.high)


@dataclass(frozen=True, slots=True)
class Keeping:
    """Repair against replacement, cost per year of life. break_even: the chance of cure above which the
    repair costs less a year; None if none does. repair_is_cheaper is a comparison of money, not advice.
    """

    repair: float
    replacement: float
    break_even: float | None

    @property
    def repair_is_cheaper(self) -> bool:
        return self.repair < self.replacement


def repair_or_replace(
    repair: float, chance: float, life_repaired: float, price: float, life_new: float, resale: float = 0.0
) -> Keeping:
    """Cost per year of life, as a ratio of expectations, with replacement if the repair fails.

    repair: what is still to be spent (never what was spent already); chance: of cure; life_repaired,
    life_new: years, above 0; price: of the replacement; resale: of the machine as it is, got in either
    case of replacing. Repair: (C + (1 - p)(P - V)) / (p L_r + (1 - p) L_n); replacement: (P - V) / L_n.
    Source: renewal-reward theorem (Ross; recalled).
    """
    check_chance(chance)
    for name, money in (("repair", repair), ("price", price), ("resale", resale)):
        check_amount(money, name)
    for name, life in (("life_repaired", life_repaired), ("life_new", life_new)):
        if not (life > 0 and math.isfinite(life)):
            raise ValueError(f"{name}: {life:g} is not allowed; give years above 0")
    net = price - resale
    per_year = (repair + (1 - chance) * net) / (chance * life_repaired + (1 - chance) * life_new)
    # Equal cost a year: C = p * net * L_r / L_n, since the terms of failing cancel out.
    worth = net * life_repaired / life_new
    even = repair / worth if worth > 0 else math.inf
    return Keeping(per_year, net / life_new, even if even <= 1 else None)


def equal_annual_cost(price: float, years: float, interest: float) -> float:
    """A price as the same sum every year: P r / (1 - (1 + r)^-n); P / n without interest.

    years above 0; interest as a share (0.05 is 5 %), not negative.
    """
    check_amount(price, "price")
    check_amount(interest, "interest")
    if not (years > 0 and math.isfinite(years)):
        raise ValueError(f"years: {years:g} is not allowed; give a number above 0")
    if interest == 0:
        return price / years
    return price * interest / -math.expm1(-years * math.log1p(interest))
