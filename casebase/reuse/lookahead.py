"""The next action: a check or a fix, by looking one or two steps ahead.

The value of a belief is estimated by the expected cost of trying the fixes in p/c order from there on
(with giving up, if that has a price, and with taking a group of parts apart paid once). An action is
valued by its own cost plus the values of the beliefs it leads to; with two steps, a further check may
follow before that estimate is used. All beliefs of one step are valued in one pass over arrays.

Beliefs are kept unnormalised inside: an expected cost is linear in them, so that the values of a check's
outcomes simply add up.

Source: Heckerman, Breese & Rommelse 1995, CACM (one step).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from casebase.reuse.cure_costs import NEVER, Bench, Rows, expected_costs
from casebase.reuse.troubleshoot import Check, Fix, FloatArray, normalised

_WIDE = 6  # so many checks, and so many fixes, are followed to the second step
_KEPT = 20  # so many causes and fixes are kept for it


@dataclass(frozen=True, slots=True)
class Option:
    """One possible action. cost: expected cost to a cure from here when it is done next; saves: by how
    much that beats doing without any check (its value of information, own cost subtracted).
    """

    kind: Literal["check", "fix", "give up"]
    position: int
    name: str
    cost: float
    saves: float


@dataclass(frozen=True, slots=True, eq=False)
class _World:
    """All that can be done now. likelihood: (T, O, C), padded with noughts; costs and groups per check."""

    bench: Bench
    likelihood: FloatArray
    check_cost: FloatArray
    check_group: npt.NDArray[np.intp]
    now: Rows


def options(
    belief: npt.ArrayLike,
    checks: Sequence[Check],
    fixes: Sequence[Fix],
    *,
    setups: Mapping[str, float] | None = None,
    opened: Collection[str] = (),
    give_up: float | None = None,
    steps: int = 2,
) -> list[Option]:
    """Every action that can be done next, the cheapest course first.

    belief: (causes,); checks, fixes: those still to be done (leave out what was asked or tried); setups:
    cost of taking each group apart; opened: groups already apart; give_up: what giving up costs (another
    machine), None if that is no choice; steps: 1 or 2 to look ahead. Few actions are followed to the
    second step where there are many. Raises ValueError on negative costs, unknown groups, or a table
    that does not fit the causes.
    """
    world = _world(normalised(belief), checks, fixes, setups or {}, opened, give_up)
    plain = float(expected_costs(world.bench, world.now)[0])
    asked, on_checks = _check_step(world, world.now, np.arange(len(checks)))
    failed, on_fixes = _fix_step(world, plain)
    values = np.concatenate([on_checks[0], on_fixes])
    if steps > 1 and len(checks):
        values = _second_step(world, asked, failed, values)
    names: list[tuple[Literal["check", "fix"], int, str]]
    names = [("check", i, check.name) for i, check in enumerate(checks)]
    names += [("fix", i, fix.name) for i, fix in enumerate(fixes)]
    found = [Option(*name, float(v), plain - float(v)) for name, v in zip(names, values, strict=True)]
    if give_up is not None:
        found.append(Option("give up", 0, "give up", give_up, plain - give_up))
    return sorted(found, key=lambda option: option.cost)


def best_action(
    belief: npt.ArrayLike,
    checks: Sequence[Check],
    fixes: Sequence[Fix],
    *,
    setups: Mapping[str, float] | None = None,
    opened: Collection[str] = (),
    give_up: float | None = None,
    steps: int = 2,
) -> Option | None:
    """The first of `options`, with the same arguments and errors; None when nothing is left to do."""
    found = options(belief, checks, fixes, setups=setups, opened=opened, give_up=give_up, steps=steps)
    return found[0] if found else None


def _world(
    belief: FloatArray,
    checks: Sequence[Check],
    fixes: Sequence[Fix],
    setups: Mapping[str, float],
    opened: Collection[str],
    give_up: float | None,
) -> _World:
    groups = sorted(setups)
    items: list[Check | Fix] = [*checks, *fixes]
    for item in items:
        if item.group is not None and item.group not in setups:
            allowed = ", ".join(groups) or "none is known"
            raise ValueError(f"{item.name!r}, group: {item.group!r} has no cost; allowed: {allowed}")
        width = item.likelihood.shape[1] if isinstance(item, Check) else len(item.efficacy)
        if width != len(belief):
            raise ValueError(f"{item.name!r}: {width} causes are not allowed; the belief has {len(belief)}")
    for name, cost in (*setups.items(), ("give up", give_up or 0.0)):
        if not cost >= 0:
            raise ValueError(f"{name!r}, cost: {cost:g} is not allowed; give a number that is not negative")
    where = {name: i for i, name in enumerate(groups)} | {None: -1}
    likelihood = np.zeros((len(checks), max([len(c.likelihood) for c in checks], default=1), len(belief)))
    for i, check in enumerate(checks):
        likelihood[i, : len(check.likelihood)] = check.likelihood
    efficacy = np.array([f.efficacy for f in fixes]).reshape(len(fixes), len(belief))
    bench = Bench(
        np.array([f.cost for f in fixes], dtype=np.float64),
        efficacy,
        np.array([where[f.group] for f in fixes], dtype=np.intp),
        bool(((efficacy > 0).sum(axis=0) <= 1).all()),
        np.inf if give_up is None else give_up,
    )
    setup = np.array([[0.0 if name in opened else setups[name] for name in groups]])
    now = Rows(belief[None], np.ones((1, len(fixes)), dtype=np.bool_), setup.reshape(1, len(groups)))
    check_cost = np.array([c.cost for c in checks], dtype=np.float64)
    return _World(
        bench, likelihood, check_cost, np.array([where[c.group] for c in checks], dtype=np.intp), now
    )


def _opened(setup: FloatArray, group: npt.NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
    """What opening one group per row costs (R,), and the set-up costs left afterwards (R, G)."""
    at = np.flatnonzero(group >= 0)
    after, cost = setup.copy(), np.zeros(len(setup))
    cost[at] = setup[at, group[at]]
    after[at, group[at]] = 0.0
    return cost, after


def _check_step(world: _World, rows: Rows, which: npt.NDArray[np.intp]) -> tuple[Rows, FloatArray]:
    """The situations after each outcome of each check, and the checks' values (R, T), one step deep.

    The situations are in the order row, check, outcome.
    """
    count, outcomes = len(rows.belief), world.likelihood.shape[1]
    times = len(which)
    belief = rows.belief[:, None, None, :] * world.likelihood[which][None]
    extra, setup = _opened(np.repeat(rows.setup, times, axis=0), np.tile(world.check_group[which], count))
    after = Rows(
        belief.reshape(count * times * outcomes, belief.shape[-1]),
        np.repeat(rows.free, times * outcomes, axis=0),
        np.repeat(setup, outcomes, axis=0),
    )
    own = (world.check_cost[which][None] + extra.reshape(count, times)) * rows.belief.sum(axis=1)[:, None]
    later = expected_costs(world.bench, after).reshape(count, times, outcomes).sum(axis=2)
    return after, own + later


def _fix_step(world: _World, plain: float) -> tuple[Rows, FloatArray]:
    """The situations after each fix has failed, and the fixes' values (F,), one step deep.

    Of many fixes only the promising ones are followed; the others are valued as if sure to fail.
    """
    now, bench = world.now, world.bench
    count = len(bench.cost)
    extra, setup = _opened(np.repeat(now.setup, count, axis=0), bench.group)
    failed = Rows(now.belief * (1 - bench.efficacy), ~np.eye(count, dtype=np.bool_), setup)
    later = np.full(count, plain)
    near = _promising(world)
    later[near] = expected_costs(bench, failed[near])
    return failed, bench.cost + extra + later


def _promising(world: _World) -> npt.NDArray[np.intp]:
    """Positions of the fixes with the highest chance per cost."""
    worth = (world.bench.efficacy @ world.now.belief[0]) / np.maximum(world.bench.cost, NEVER)
    return np.sort(np.argsort(-worth)[:_KEPT])


def _second_step(world: _World, asked: Rows, failed: Rows, values: FloatArray) -> FloatArray:
    """Values of the most promising actions when one more check may follow; the others keep theirs."""
    checks, outcomes = world.likelihood.shape[:2]
    near = np.argsort(values[:checks])[:_WIDE]
    fixes = np.argsort(values[checks:])[:_WIDE]
    after_check = asked[(near[:, None] * outcomes + np.arange(outcomes)).ravel()]
    after_fix = failed[fixes]
    small, causes, kept = _narrowed(world)
    saved = _best_further(small, after_check.only(causes, kept), near, np.repeat(near, outcomes))
    better = values.copy()
    better[near] -= saved.reshape(len(near), outcomes).sum(axis=1)
    rest = _best_further(small, after_fix.only(causes, kept), near, np.full(len(fixes), -1))
    better[checks + fixes] -= rest
    return better


def _narrowed(world: _World) -> tuple[_World, npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """The world cut to its likeliest causes and most promising fixes, and their positions.

    Only how much a second check saves is computed in it, so that what is cut hardly matters.
    """
    belief, bench = world.now.belief[0], world.bench
    if len(belief) <= _KEPT and len(bench.cost) <= _KEPT:
        return world, np.arange(len(belief)), np.arange(len(bench.cost))
    causes = np.sort(np.argsort(-belief)[:_KEPT])
    kept = _promising(world)
    cut = Bench(
        bench.cost[kept], bench.efficacy[np.ix_(kept, causes)], bench.group[kept], bench.apart, bench.give_up
    )
    now = world.now.only(causes, kept)
    likelihood = world.likelihood[:, :, causes]
    return _World(cut, likelihood, world.check_cost, world.check_group, now), causes, kept


def _best_further(
    world: _World, rows: Rows, near: npt.NDArray[np.intp], done: npt.NDArray[np.intp]
) -> FloatArray:
    """(R,): how much the best further check saves in each situation; done: the check just made, or -1."""
    plain = expected_costs(world.bench, rows)
    _, values = _check_step(world, rows, near)
    values = np.where(near[None] == done[:, None], np.inf, values)
    return np.asarray(np.maximum(plain - values.min(axis=1), 0.0))
