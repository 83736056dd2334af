"""Small invented worlds with known faults: drawn at random, solved exactly, and any policy priced exactly.

A world has C causes (5 or 6), one sure fix per cause, and T noisy checks (4 to 6) that read "bad" or
"ok". One fault, or sometimes two at once, is drawn; a check reads bad if any of the faults makes it so,
each independently (noisy or). The reading belongs to the machine as it arrived. Each check is made at
most once, each fix at most once; the machine runs when every fault is fixed.

How the random worlds are drawn (chosen so that the simple orders lose about as much as is known of them:
p/c 15-23 % above the optimum, likeliest first 36-44 %, cheapest first 44-48 %): causes by Dirichlet(.9);
fixes cost 5 to 140, evenly in the logarithm; checks cost 4 to 14, evenly; a check points to each cause
with chance .35 (to one at least) and then reads bad with .85 to .98; for the other causes it reads bad
with .02 to .15.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
UNASKED = 2

Move = tuple[Literal["check", "fix"], int]
# What a policy sees: per check 0 (ok), 1 (bad) or 2 (not asked), and the bit mask of the fixes that failed.
Policy = Callable[[tuple[int, ...], int], Move]


@dataclass(frozen=True, slots=True, eq=False)
class World:
    """faults (H,): bit masks of what may be wrong; chance (H,), sums to 1; bad (T, H): P(reads bad);
    check_cost (T,); fix_cost (C,).
    """

    faults: IntArray
    chance: FloatArray
    bad: FloatArray
    check_cost: FloatArray
    fix_cost: FloatArray

    @property
    def causes(self) -> int:
        return len(self.fix_cost)

    @property
    def checks(self) -> int:
        return len(self.check_cost)

    def alive(self, fixed: int) -> npt.NDArray[np.bool_]:
        """(H,): which faults are not yet wholly fixed."""
        return np.asarray((self.faults & ~fixed) != 0)


def draw(rng: np.random.Generator, two: float = 0.0) -> World:
    """A random world; two: the chance that two faults are there at once (0..1)."""
    causes, checks = int(rng.integers(5, 7)), int(rng.integers(4, 7))
    chance = rng.dirichlet(np.full(causes, 0.9))
    points = rng.random((checks, causes)) < 0.35
    points[np.arange(checks), rng.integers(causes, size=checks)] |= ~points.any(axis=1)
    bad = np.where(points, rng.uniform(0.85, 0.98, points.shape), rng.uniform(0.02, 0.15, points.shape))
    world = World(
        1 << np.arange(causes),
        chance,
        bad,
        rng.uniform(4, 14, checks),
        np.exp(rng.uniform(np.log(5), np.log(140), causes)),
    )
    return with_pairs(world, two) if two > 0 else world


def with_pairs(single: World, two: float) -> World:
    """The same world where, with chance `two`, two faults are there; pairs in proportion to p_i p_j."""
    pairs = np.array(list(combinations(range(single.causes), 2)))
    joint = single.chance[pairs].prod(axis=1)
    quiet = (1 - single.bad[:, pairs]).prod(axis=2)
    return World(
        np.concatenate([single.faults, single.faults[pairs].sum(axis=1)]),
        np.concatenate([single.chance * (1 - two), two * joint / joint.sum()]),
        np.concatenate([single.bad, 1 - quiet], axis=1),
        single.check_cost,
        single.fix_cost,
    )


def price(world: World, policy: Policy) -> float:
    """The exact expected cost to a cure of a policy, over all faults and readings."""

    def from_here(weights: FloatArray, readings: tuple[int, ...], fixed: int) -> float:
        mass = float(weights.sum())
        if mass < 1e-12:
            return 0.0
        kind, i = policy(readings, fixed)
        if kind == "fix":
            after = fixed | 1 << i
            return float(world.fix_cost[i]) * mass + from_here(weights * world.alive(after), readings, after)
        total = float(world.check_cost[i]) * mass
        for reading, row in ((0, 1 - world.bad[i]), (1, world.bad[i])):
            total += from_here(weights * row, (*readings[:i], reading, *readings[i + 1 :]), fixed)
        return total

    return from_here(world.chance, (UNASKED,) * world.checks, 0)


def optimum(world: World) -> float:
    """The lowest expected cost to a cure any policy can reach, by dynamic programming.

    States: readings of every check (ok, bad, not asked; base 3) times the set of fixes that failed.
    Values are unnormalised, so that the two readings of a check simply add up.
    """
    checks, full = world.checks, (1 << world.causes) - 1
    digits = (np.arange(3**checks)[:, None] // 3 ** np.arange(checks)) % 3
    weights = np.tile(world.chance, (3**checks, 1))
    for t in range(checks):
        weights *= np.stack([1 - world.bad[t], world.bad[t], np.ones(len(world.chance))])[digits[:, t]]
    layers = _layers(digits)
    value = np.zeros((full + 1, 3**checks))
    for fixed in range(full - 1, -1, -1):
        mass = weights @ world.alive(fixed)
        best = np.full(3**checks, np.inf)
        for i in range(world.causes):
            if not fixed >> i & 1:
                best = np.minimum(best, world.fix_cost[i] * mass + value[fixed | 1 << i])
        for at, t in layers:
            asked = world.check_cost[t] * mass[at] + best[at - 2 * 3**t] + best[at - 3**t]
            best[at] = np.minimum(best[at], asked)
        value[fixed] = best
    return float(value[0, -1])


def _layers(digits: IntArray) -> list[tuple[IntArray, int]]:
    """(states, check) such that the states after the check were finished before: fewest unasked first."""
    unasked = (digits == UNASKED).sum(axis=1)
    pairs = [
        (np.flatnonzero((unasked == k) & (digits[:, t] == UNASKED)), t)
        for k in range(1, digits.shape[1] + 1)
        for t in range(digits.shape[1])
    ]
    return [(at, t) for at, t in pairs if len(at)]


@dataclass(frozen=True, slots=True, eq=False)
class PastCases:
    """Simulated past jobs. cause (N,): the fault's position in the world; reading (N, T): 0, 1, or 2."""

    cause: IntArray
    reading: IntArray


def past_cases(world: World, count: int, rng: np.random.Generator) -> PastCases:
    """Jobs that each recorded their cause and half of the checks, chosen at random."""
    cause = rng.choice(len(world.chance), size=count, p=world.chance)
    reading = (rng.random((count, world.checks)) < world.bad[:, cause].T).astype(np.intp)
    hidden = rng.random(reading.shape).argsort(axis=1) >= (world.checks + 1) // 2
    return PastCases(cause, np.where(hidden, UNASKED, reading))
