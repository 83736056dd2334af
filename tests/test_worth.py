"""Money: expected cost of courses, break-even, repair or replace."""

import time
from dataclasses import replace

import numpy as np
import pytest

from casebase.reuse.intervals import BetaPosterior
from casebase.reuse.worth import (
    Course,
    Step,
    break_even_chance,
    break_even_price,
    cheapest_course,
    compare,
    equal_annual_cost,
    interval_of_cost,
    outlook,
    repair_or_replace,
)


def course(chances, prices, fallback=0.0, **more):
    steps = tuple(Step(f"fix {i}", c, 0, p) for i, (p, c) in enumerate(zip(chances, prices, strict=True)))
    return Course("course", steps, fallback, **more)


def test_expected_cost_with_giving_up():
    # Our own example with a residual of .1, all orders enumerated: 56.0 after the second fix alone.
    given = course([0.45, 0.2, 0.15, 0.1], [40, 8, 20, 60], 60)
    best = cheapest_course(given)
    assert [s.name for s in best.steps] == ["fix 1"]
    assert outlook(best).cost == pytest.approx(56.0)
    dear = cheapest_course(replace(given, fallback=150.0))
    assert [s.name for s in dear.steps] == ["fix 1", "fix 0", "fix 2", "fix 3"]
    assert outlook(dear).cost == pytest.approx(74.0)
    assert outlook(dear).cured == pytest.approx(0.9)
    assert outlook(dear).worst == pytest.approx(278)
    assert cheapest_course(replace(given, fallback=5.0)).steps == ()
    assert len(cheapest_course(given, may_stop=False).steps) == 4


def test_minutes_cost_by_the_hour():
    step = Step("clean", 10, 30, 0.8)
    assert step.cost(40) == pytest.approx(30)
    assert outlook(Course("c", (step,), 100), 40).cost == pytest.approx(30 + 0.2 * 100)


def test_conditional_chances():
    given = course([0.5, 0.5], [10, 20], 100, conditional=True)
    assert outlook(given).cost == pytest.approx(10 + 0.5 * 20 + 0.25 * 100)
    assert outlook(given).cured == pytest.approx(0.75)


def test_taking_apart_is_paid_once():
    steps = (
        Step("needle", 5, 0, 0.3, group="lid"),
        Step("line", 9, 0, 0.3),
        Step("jet", 4, 0, 0.3, group="lid"),
    )
    given = Course("c", steps, 50, setups=(("lid", 20.0),))
    assert outlook(given).cost == pytest.approx(25 + 0.7 * 9 + 0.4 * 4 + 0.1 * 50)
    best = cheapest_course(given)
    assert [s.name for s in best.steps] == ["line"] or outlook(best).cost <= outlook(given).cost
    together = cheapest_course(replace(given, fallback=500.0))
    assert [s.name for s in together.steps] == ["line", "jet", "needle"]


def test_eight_fixes_are_tried_in_every_order():
    rng = np.random.default_rng(1)
    given = course(rng.dirichlet(np.ones(8)) * 0.95, rng.uniform(5, 80, 8), 400)
    began = time.perf_counter()
    best = cheapest_course(given, may_stop=False)
    assert time.perf_counter() - began < 1
    ratios = [s.chance / s.price for s in best.steps]
    assert ratios == sorted(ratios, reverse=True)
    with pytest.raises(ValueError, match="at most 12"):
        cheapest_course(course([0.05] * 13, [1] * 13))


def test_break_even_price_of_a_kit():
    # By hand: kit at x with .6, then the whole part at 30; against the part at once: x < 30 - .4 * 30.
    kit = Course("kit first", (Step("kit", 11, 0, 0.6),), 30)
    assert break_even_price(kit, 30, 0) == pytest.approx(18)
    assert outlook(replace(kit, steps=(replace(kit.steps[0], price=18.0),))).cost == pytest.approx(30)
    assert break_even_chance(kit, 30, 0) == pytest.approx(11 / 30)
    # A later step is only paid when it is reached.
    late = Course("late", (Step("clean", 4, 0, 0.5), Step("kit", 0, 0, 0.3)), 30)
    price = break_even_price(late, 20, 1)
    assert outlook(
        replace(late, steps=(late.steps[0], replace(late.steps[1], price=price)))
    ).cost == pytest.approx(20)
    assert break_even_price(kit, 5, 0) is None
    assert break_even_chance(kit, 1, 0) is None


def test_a_kit_that_costs_nearly_as_much_as_the_part_is_not_worth_fitting():
    # Common practice, no published source: even a kit that nearly always helps, when the part is sure.
    kit = Course("kit first", (Step("kit", 28, 20, 0.9),), 30 + 20)
    part = Course("part", (Step("part", 30, 20, 1.0),), 0)
    assert outlook(part, 60).cost < outlook(kit, 60).cost
    cheap = replace(kit, steps=(replace(kit.steps[0], price=6.0),))
    assert outlook(cheap, 60).cost < outlook(part, 60).cost


def test_the_interval_of_the_difference():
    belief = BetaPosterior(8, 3)
    kit = Course("kit", (Step("kit", 11, 0, belief.mean, belief),), 30)
    part = Course("part", (Step("part", 30, 0, 1.0),), 0)
    found = compare(kit, part)
    assert found == compare(kit, part)
    # The difference is 11 - 30 p: its quantiles are those of the belief.
    assert found.mean == pytest.approx(11 - 30 * belief.mean, abs=0.1)
    assert found.low == pytest.approx(11 - 30 * belief.quantile(0.95), abs=0.2)
    assert found.high == pytest.approx(11 - 30 * belief.quantile(0.05), abs=0.2)
    assert found.first_cheaper == pytest.approx(1 - 0.006, abs=0.01)
    low = interval_of_cost(kit)
    assert (low.low, low.high) == pytest.approx((found.low + 30, found.high + 30), abs=0.2)
    # The same fix on both sides has the same luck on both sides.
    assert compare(kit, replace(kit, name="again")).high == 0


def test_repair_or_replace():
    # Our own: C=85, p=.75, 3 years, P=240, 6 years. The mean of ratios would give 34.79 and .548.
    found = repair_or_replace(85, 0.75, 3, 240, 6)
    assert found.repair == pytest.approx(38.667, abs=0.0005)
    assert found.replacement == pytest.approx(40)
    assert found.break_even == pytest.approx(0.70833, abs=0.000005)
    assert found.repair_is_cheaper
    even = repair_or_replace(85, found.break_even, 3, 240, 6)
    assert even.repair == pytest.approx(even.replacement)
    assert repair_or_replace(500, 0.9, 3, 240, 6).break_even is None
    assert repair_or_replace(85, 0.75, 3, 240, 6, resale=100).replacement == pytest.approx(140 / 6)


def test_equal_annual_cost():
    assert equal_annual_cost(240, 6, 0.05) == pytest.approx(47.284, abs=0.0005)
    assert equal_annual_cost(85, 3, 0.05) == pytest.approx(31.213, abs=0.0005)
    assert equal_annual_cost(240, 6, 0) == 40


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: Step("kit", -1, 0, 0.5), "kit, price: -1"),
        (lambda: Step("kit", 1, 0, 1.5), "kit, chance: 1.5"),
        (lambda: Step("kit", 1, float("nan"), 0.5), "kit, minutes"),
        (lambda: course([0.7, 0.7], [1, 1]), "course, chances: they sum to 1.4"),
        (lambda: course([0.5], [1], -3), "course, fallback: -3"),
        (lambda: Course("c", (Step("a", 1, 1, 0.1, group="lid"),)), "group: 'lid'"),
        (lambda: outlook(course([0.5], [1]), -60), "hourly: -60"),
        (lambda: break_even_price(course([0.5], [1]), 3, 1), "step: 1 does not exist"),
        (lambda: repair_or_replace(85, 1.75, 3, 240, 6), "chance: 1.75"),
        (lambda: repair_or_replace(85, 0.75, 0, 240, 6), "life_repaired: 0"),
        (lambda: equal_annual_cost(85, 3, -0.1), "interest"),
        (lambda: compare(course([0.5], [1]), course([0.5], [1]), level=2), "level: 2"),
    ],
)
def test_bad_input_names_the_field(call, words):
    with pytest.raises(ValueError, match=words):
        call()
