"""How good the advice is in small worlds whose faults are known: cost to a cure, calibration, coverage.

    python simulate.py --worlds 1000            all figures (a few minutes)
    python simulate.py --worlds 50 --json       a quick look, for a machine to read

Compared, all exactly and not by trial: the best policy there is (dynamic programming), the tool with the
world's own probabilities and with probabilities learned from past cases, the order by chance per cost,
the likeliest first, the cheapest first, and any order. Nothing here is tuned to a single world.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from functools import partial

import numpy as np
from worlds import UNASKED, FloatArray, Move, PastCases, Policy, World, draw, optimum, past_cases, price

from casebase.reuse.calibration import bins_by_edges, expected_error
from casebase.reuse.intervals import BetaPosterior, Interval, jeffreys, wilson
from casebase.reuse.learning import m_estimate, pooled_chances
from casebase.reuse.lookahead import best_action
from casebase.reuse.orders import pc_order
from casebase.reuse.troubleshoot import Check, Fix, chance_of_two

Figures = dict[str, float]


def hand_made() -> dict[str, World]:
    """A few worlds made by hand (figures invented): what every bench knows, and two awkward ones."""
    return {
        "spark, choke or crankcase": _by_hand(
            [0.5, 0.3, 0.2],
            [40, 35, 70],
            [2, 1, 25],
            [[0.05, 0.9, 0.05], [0.1, 0.95, 0.3], [0.03, 0.03, 0.92]],
        ),
        "starved engine": _by_hand(
            [0.35, 0.2, 0.3, 0.1, 0.05],
            [10, 15, 45, 30, 90],
            [2, 4, 8, 20],
            [
                [0.9, 0.1, 0.3, 0.05, 0.05],
                [0.05, 0.9, 0.05, 0.05, 0.05],
                [0.1, 0.2, 0.9, 0.2, 0.1],
                [0.02, 0.02, 0.05, 0.95, 0.3],
            ],
        ),
        "one dear, likely part": _by_hand(
            [0.6, 0.2, 0.1, 0.1], [120, 8, 12, 20], [6, 9], [[0.9, 0.1, 0.1, 0.1], [0.1, 0.8, 0.8, 0.1]]
        ),
        "checks that tell nothing": _by_hand(
            [0.4, 0.3, 0.2, 0.1], [20, 30, 10, 40], [5, 5], [[0.5] * 4, [0.3] * 4]
        ),
    }


def _by_hand(chance: list[float], fixes: list[float], checks: list[float], bad: list[list[float]]) -> World:
    return World(
        1 << np.arange(len(chance)),
        np.array(chance),
        np.array(bad),
        np.array(checks, dtype=np.float64),
        np.array(fixes, dtype=np.float64),
    )


def fixed_order(order: Sequence[int]) -> Policy:
    """No checks: one fix after the other."""

    def policy(readings: tuple[int, ...], fixed: int) -> Move:
        return "fix", next(i for i in order if not fixed >> i & 1)

    return policy


def belief_of(prior: FloatArray, bad: FloatArray, readings: Sequence[int], fixed: int) -> FloatArray:
    """(C,) unnormalised belief of a single fault, after these readings and failed fixes."""
    belief = prior.copy()
    for row, reading in zip(bad, readings, strict=True):
        if reading != UNASKED:
            belief *= row if reading else 1 - row
    belief[[i for i in range(len(prior)) if fixed >> i & 1]] = 0.0
    return belief


def tool(world: World, prior: FloatArray, bad: FloatArray, steps: int = 2) -> Policy:
    """The tool's own look-ahead, believing in `prior` (C,) and `bad` (T, C) and in a single fault."""
    checks = [
        Check(f"check {t}", float(cost), np.stack([1 - bad[t], bad[t]]))
        for t, cost in enumerate(world.check_cost)
    ]
    fixes = [Fix(f"fix {i}", float(cost), np.eye(world.causes)[i]) for i, cost in enumerate(world.fix_cost)]

    def policy(readings: tuple[int, ...], fixed: int) -> Move:
        to_try = [i for i in range(world.causes) if not fixed >> i & 1]
        if len(to_try) == 1:
            return "fix", to_try[0]
        to_ask = [t for t, reading in enumerate(readings) if reading == UNASKED]
        belief = belief_of(prior, bad, readings, fixed)
        best = best_action(belief, [checks[t] for t in to_ask], [fixes[i] for i in to_try], steps=steps)
        assert best is not None  # a fix is always left
        return ("check", to_ask[best.position]) if best.kind == "check" else ("fix", to_try[best.position])

    return policy


def learned(world: World, cases: PastCases, single: int) -> tuple[FloatArray, FloatArray]:
    """The tool's probabilities from past cases: prior (C,) and P(reads bad | cause) (T, C).

    single: how many of the world's faults are single causes; a case of two faults counts for both.
    """
    of_cause = (world.faults[cases.cause][:, None] >> np.arange(single)) & 1
    prior = m_estimate(of_cause.sum(axis=0), np.full(single, 1 / single), single)
    bad = (cases.reading == 1).T.astype(np.float64) @ of_cause
    seen = (cases.reading != UNASKED).T.astype(np.float64) @ of_cause
    return prior, pooled_chances(bad, seen)


def simple_orders(world: World, rng: np.random.Generator) -> dict[str, Policy]:
    """The orders without checks, by name."""
    single = world.chance[: world.causes]
    return {
        "chance per cost (p/c)": fixed_order(pc_order(list(single), list(world.fix_cost))),
        "likeliest first": fixed_order([int(i) for i in np.argsort(-single)]),
        "cheapest first": fixed_order([int(i) for i in np.argsort(world.fix_cost)]),
        "any order": fixed_order([int(i) for i in rng.permutation(world.causes)]),
    }


def cost_figures(worlds: Sequence[World], sizes: Sequence[int], seed: int) -> Figures:
    """Mean cost to a cure of every policy, as a share above the mean of the optimum."""
    costs: dict[str, list[float]] = {}
    for k, world in enumerate(_progress(worlds, "costs")):
        rng = np.random.default_rng([seed, k])
        single = world.chance[: world.causes] / world.chance[: world.causes].sum()
        bad = world.bad[:, : world.causes]
        policies = {
            "tool, true chances": tool(world, single, bad),
            "tool, one step, true chances": tool(world, single, bad, steps=1),
            **simple_orders(world, rng),
        }
        for size in sizes:
            believed = learned(world, past_cases(world, size, rng), world.causes)
            policies[f"tool, learned from {size} cases"] = tool(world, *believed)
        costs.setdefault("optimum", []).append(optimum(world))
        for name, policy in policies.items():
            costs.setdefault(name, []).append(price(world, policy))
    best = float(np.mean(costs.pop("optimum")))
    return {"optimum": best, **{name: float(np.mean(each)) / best - 1 for name, each in costs.items()}}


def calibration_figures(
    worlds: Sequence[World], sizes: Sequence[int], seed: int, machines: int = 20
) -> Figures:
    """Calibration error of the stated chances of causes (ten bins of equal width), after 0 to all checks:
    over every cause, and, more strictly, over the likeliest cause of each machine alone.
    """
    stated: dict[str, list[FloatArray]] = {}
    found: dict[str, list[FloatArray]] = {}
    for k, world in enumerate(worlds):
        rng = np.random.default_rng([seed, k, 1])
        beliefs = {"true chances": (world.chance, world.bad)}
        for size in sizes:
            beliefs[f"learned from {size} cases"] = learned(world, past_cases(world, size, rng), world.causes)
        for _ in range(machines):
            cause, readings = _machine(world, rng)
            for name, (prior, bad) in beliefs.items():
                belief = belief_of(prior, bad, readings, 0)
                stated.setdefault(name, []).append(belief / belief.sum())
                found.setdefault(name, []).append(np.eye(world.causes)[cause])
    figures = {name: _error(np.concatenate(stated[name]), np.concatenate(found[name])) for name in stated}
    for name in stated:
        first = [
            (float(s.max()), float(f[s.argmax()])) for s, f in zip(stated[name], found[name], strict=True)
        ]
        figures[f"{name}, likeliest cause"] = _error(*np.array(first).T)
    return figures


def _error(stated: FloatArray, found: FloatArray) -> float:
    return expected_error(bins_by_edges(stated, found, np.linspace(0, 1, 11).tolist()))


def _machine(world: World, rng: np.random.Generator) -> tuple[int, list[int]]:
    """A machine with its fault, and the readings of a random number of checks."""
    fault = int(rng.choice(len(world.chance), p=world.chance))
    readings = (rng.random(world.checks) < world.bad[:, fault]).astype(int)
    readings[rng.permutation(world.checks)[int(rng.integers(world.checks + 1)) :]] = UNASKED
    return fault, readings.tolist()


def coverage_figures(fixes: int, seed: int, level: float = 0.9) -> Figures:
    """How often the 90 % interval of a fix holds its true chance; 3 to 40 tries each.

    True chances are drawn evenly, and as Beta(4, 2): fixes that mostly work.
    """
    rng = np.random.default_rng([seed, 2])
    drawn: dict[str, FloatArray] = {"evenly": rng.uniform(size=fixes), "Beta(4, 2)": rng.beta(4, 2, fixes)}
    held: Figures = {}
    for spread, chances in drawn.items():
        tries = rng.integers(3, 41, fixes)
        cured = rng.binomial(tries, chances)
        kinds: dict[str, Callable[[float, float], Interval]] = {
            "Wilson": lambda k, n: wilson(k, n, level),
            "Jeffreys": lambda k, n: jeffreys(k, n, level),
            "posterior": lambda k, n: BetaPosterior.counted(k, n).interval(level),
        }
        for kind, interval in kinds.items():
            inside = [
                (found := interval(int(k), int(n))).low <= p <= found.high
                for k, n, p in zip(cured, tries, chances, strict=True)
            ]
            held[f"{kind}, true chances {spread}"] = float(np.mean(inside))
    return held


def alarm_figures(worlds: Sequence[World], seed: int, machines: int = 5) -> Figures:
    """How often "there may be two faults" is said, of machines with one and with two faults."""
    said: dict[int, list[bool]] = {1: [], 2: []}
    for k, world in enumerate(worlds):
        rng = np.random.default_rng([seed, k, 3])
        single = world.chance[: world.causes] / world.chance[: world.causes].sum()
        bad = world.bad[:, : world.causes]
        for count, pool in ((1, slice(0, world.causes)), (2, slice(world.causes, None))):
            for _ in range(machines):
                chances = world.chance[pool] / world.chance[pool].sum()
                fault = int(rng.choice(len(chances), p=chances)) + (pool.start or 0)
                said[count].append(_alarmed(world, single, bad, fault, rng))
    return {f"alarm with {count} fault(s)": float(np.mean(each)) for count, each in said.items()}


def _alarmed(world: World, prior: FloatArray, bad: FloatArray, fault: int, rng: np.random.Generator) -> bool:
    truth = (rng.random(world.checks) < world.bad[:, fault]).astype(int)
    policy, readings, fixed = tool(world, prior, bad, steps=1), (UNASKED,) * world.checks, 0
    failed: list[float] = []
    while int(world.faults[fault]) & ~fixed:
        kind, i = policy(readings, fixed)
        if kind == "check":
            readings = (*readings[:i], int(truth[i]), *readings[i + 1 :])
            continue
        belief = belief_of(prior, bad, readings, fixed)
        fixed |= 1 << i
        if int(world.faults[fault]) & ~fixed:
            failed.append(float(belief[i] / belief.sum()))
    return chance_of_two(failed) >= 0.5


def _progress(items: Sequence[World], what: str) -> Iterator[World]:
    for k, item in enumerate(items):
        if sys.stderr.isatty():
            print(f"\r{what}: {k + 1} of {len(items)}", end="", file=sys.stderr)
        yield item
    if sys.stderr.isatty():
        print(file=sys.stderr)


def figures(count: int, sizes: Sequence[int], two: float, seed: int) -> dict[str, Figures]:
    """All figures. count: worlds; sizes: past cases learned from; two: share of machines with two faults."""
    rng = np.random.default_rng(seed)
    worlds = [draw(rng) for _ in range(count)]
    doubled = [draw(rng, two) for _ in range(max(count // 4, 1))]
    parts: dict[str, Callable[[], Figures]] = {
        "one fault, above the optimum": lambda: cost_figures(worlds, sizes, seed),
        f"{two:.0%} with two faults, above the optimum": lambda: cost_figures(doubled, sizes[:1], seed),
        "two faults suspected": lambda: alarm_figures(doubled, seed),
        "calibration error of causes": lambda: calibration_figures(worlds, sizes, seed),
        "coverage of 90 % intervals": lambda: coverage_figures(4 * count, seed),
    }
    for name, world in hand_made().items():
        parts[f"by hand: {name}, above the optimum"] = partial(cost_figures, [world], sizes, seed)
    found = {}
    for name, part in parts.items():
        began = time.perf_counter()
        found[name] = part()
        found[name]["seconds"] = time.perf_counter() - began
    return found


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the figures as a table, or with --json as one object."""
    parser = argparse.ArgumentParser(description="How good the advice is in small worlds with known faults.")
    parser.add_argument("--worlds", type=int, default=1000, help="random worlds (default 1000)")
    parser.add_argument("--cases", default="200,50,20", help="sizes of the past to learn from")
    parser.add_argument("--two", type=float, default=0.15, help="share of machines with two faults")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args(arguments)
    if given.worlds < 1 or not 0 < given.two < 1:
        parser.error("--worlds must be at least 1, --two between 0 and 1")
    found = figures(given.worlds, [int(size) for size in given.cases.split(",")], given.two, given.seed)
    if given.json:
        print(json.dumps(found, indent=2))
        return 0
    for name, part in found.items():
        print(f"{name}  ({part.pop('seconds'):.0f} s)")
        for what, value in part.items():
            print(f"  {what:<44}{value:10.2f}" if what == "optimum" else f"  {what:<44}{value:10.2%}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
