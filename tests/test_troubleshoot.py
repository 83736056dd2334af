"""What an answer teaches and is worth, against published and hand-checked values."""

import time

import numpy as np
import pytest

from casebase.reuse.lookahead import best_action, options
from casebase.reuse.orders import (
    best_order,
    call_off,
    cheapest_fixes,
    cost_check_then_repair,
    cost_of_fixes,
    cost_repair_and_see,
    every_order,
    pc_order,
    worth_trying,
)
from casebase.reuse.troubleshoot import (
    Check,
    Fix,
    after_check,
    after_failed_fix,
    chance_of_two,
    entropy,
    gain_of_counts,
    information_gain,
    learn,
    normalised,
    works,
)

# Our own example: three causes (carburettor, coil, air leak), three checks (minutes; P(good | cause)).
PRIOR = np.array([0.5, 0.3, 0.2])


def check(name, minutes, good):
    return Check(name, minutes, np.array([good, 1 - np.array(good)]), ("good", "bad"))


SPARK = check("spark tester jumps", 2, [0.95, 0.10, 0.95])
CHOKE = check("runs with choke", 1, [0.90, 0.05, 0.70])
PRESSURE = check("crankcase holds pressure", 25, [0.97, 0.97, 0.08])
REPAIRS = [Fix(f"fix {i}", cost, np.eye(3)[i]) for i, cost in enumerate((40, 35, 70))]


def test_quinlan_gains():
    # Quinlan 1986, the play-tennis table: (no, yes) per value. Printed to three decimals.
    assert entropy([9, 5]) == pytest.approx(0.940286, abs=1e-6)
    outlook, temperature = [[3, 2], [0, 4], [2, 3]], [[2, 2], [2, 4], [1, 3]]
    humidity, windy = [[4, 3], [1, 6]], [[2, 6], [3, 3]]
    gains = [gain_of_counts(table)[0] for table in (outlook, temperature, humidity, windy)]
    assert gains == pytest.approx([0.2467, 0.0292, 0.1518, 0.0481], abs=0.00005)
    assert entropy([5, 4, 5]) == pytest.approx(1.5774, abs=0.00005)
    assert gain_of_counts(outlook)[1] == pytest.approx(0.1564, abs=0.00005)
    assert gain_of_counts(humidity)[1] == pytest.approx(0.1518 / 1.0, abs=0.00005)


def test_three_checks():
    assert entropy(PRIOR) == pytest.approx(1.4855, abs=0.00005)
    for test, chance, gain, per_minute in (
        (SPARK, 0.6950, 0.5461, 0.2731),
        (CHOKE, 0.6050, 0.4713, 0.4713),
        (PRESSURE, 0.7920, 0.5017, 0.0201),
    ):
        found = learn(PRIOR, test)
        assert found.chances[0] == pytest.approx(chance, abs=0.00005)
        assert found.gain == pytest.approx(gain, abs=0.00005)
        assert found.per_cost == pytest.approx(per_minute, abs=0.00005)
        assert information_gain(PRIOR, test) == found.gain
    spark = learn(PRIOR, SPARK).posteriors
    assert spark[0] == pytest.approx([0.6835, 0.0432, 0.2734], abs=0.00005)
    assert spark[1] == pytest.approx([0.0820, 0.8852, 0.0328], abs=0.00005)
    assert after_check(PRIOR, PRESSURE, "bad") == pytest.approx([0.0721, 0.0433, 0.8846], abs=0.00005)


def test_value_of_information_at_one_a_minute():
    # Expected cost now 71.50; savings before each check's own cost 14.475, 13.50, 12.12.
    found = {o.name: o for o in options(PRIOR, [SPARK, CHOKE, PRESSURE], REPAIRS, steps=1)}
    assert found["fix 0"].cost == pytest.approx(71.50)
    assert found["spark tester jumps"].saves == pytest.approx(14.475 - 2, abs=0.0005)
    assert found["runs with choke"].saves == pytest.approx(13.50 - 1, abs=0.005)
    assert found["crankcase holds pressure"].saves == pytest.approx(-12.88, abs=0.005)
    assert best_action(PRIOR, [SPARK, CHOKE, PRESSURE], REPAIRS, steps=1).name == "runs with choke"
    # A check not worth its cost is not proposed.
    assert best_action(PRIOR, [PRESSURE], REPAIRS, steps=1).name == "fix 0"


def test_repair_and_see_all_24_orders():
    p, c = [0.5, 0.2, 0.2, 0.1], [40, 8, 20, 60]
    assert pc_order(p, c) == (1, 0, 2, 3)
    every = every_order(4, lambda order: cost_repair_and_see(order, p, c))
    assert len(every) == 24
    assert (every[0].order, every[0].cost) == ((1, 0, 2, 3), pytest.approx(52.0))
    assert every[1].cost == pytest.approx(54.0)
    assert (every[-1].order, every[-1].cost) == ((3, 2, 0, 1), pytest.approx(107.6))
    assert cost_repair_and_see((0, 1, 2, 3), p, c) == pytest.approx(56.0)


def test_check_then_repair():
    p, look, repair = [0.5, 0.2, 0.2, 0.1], [10, 2, 5, 15], [35, 8, 15, 60]
    every = every_order(4, lambda order: cost_check_then_repair(order, p, look, repair))
    assert (every[0].order, every[0].cost) == ((1, 0, 2, 3), pytest.approx(41.1))
    assert (every[-1].order, every[-1].cost) == ((3, 2, 0, 1), pytest.approx(55.0))
    for i in range(4):  # what a repair costs must not change the order
        dearer = [cost * (9 if i == k else 1) for k, cost in enumerate(repair)]
        best = best_order(4, lambda order, d=dearer: cost_check_then_repair(order, p, look, d))
        assert best.order == (1, 0, 2, 3)


def test_adjacent_exchange():
    rng = np.random.default_rng(3)
    for _ in range(50):
        p, c = rng.dirichlet(np.ones(4)), rng.uniform(1, 50, 4)
        swap = cost_repair_and_see((0, 1, 2, 3), p, c) - cost_repair_and_see((1, 0, 2, 3), p, c)
        assert swap == pytest.approx(p[0] * -c[1] + p[1] * c[0])
        best = best_order(4, lambda order, p=p, c=c: cost_repair_and_see(order, p, c))
        assert best.cost == pytest.approx(cost_repair_and_see(pc_order(p, c), p, c))


def test_giving_up():
    p, c = [0.45, 0.2, 0.15, 0.1], [40, 8, 20, 60]
    assert (call_off(p, c, 60).order, call_off(p, c, 60).cost) == ((1,), pytest.approx(56.0))
    assert cost_repair_and_see((1, 0, 2), p, c, 60) == pytest.approx(59.0)
    assert cost_repair_and_see((), p, c, 60) == 60
    full = call_off(p, c, 150)
    assert (full.order, full.cost) == ((1, 0, 2, 3), pytest.approx(74.0))
    assert worth_trying(0.2, 8, 1, 60) and not worth_trying(0.45, 40, 0.8, 60)
    # The look-ahead agrees: the fourth tenth belongs to a cause no fix cures.
    belief = np.array([*p, 0.1])
    fixes = [Fix(str(i), cost, np.eye(5)[i]) for i, cost in enumerate(c)]
    assert options(belief, [], fixes, give_up=60)[0].cost == pytest.approx(56.0)
    assert options(belief, [], fixes, give_up=150)[0].cost == pytest.approx(74.0)
    assert best_action(belief, [], fixes, give_up=5).kind == "give up"


def test_failed_fix():
    cleaned = Fix("clean the carburettor", 40, np.array([0.8, 0, 0]))
    assert works(PRIOR, cleaned) == pytest.approx(0.4)
    assert after_failed_fix(PRIOR, cleaned) == pytest.approx([0.1667, 0.5, 0.3333], abs=0.00005)


def test_a_fix_for_several_causes_and_a_shared_cover():
    # Cost of one order by hand: set-up 6 once, a replacement cures two causes with .9.
    fixes = [
        Fix("needle", 10, np.array([1.0, 0, 0]), "carburettor open"),
        Fix("whole carburettor", 40, np.array([0.9, 0.9, 0])),
        Fix("diaphragm", 12, np.array([0, 1.0, 0]), "carburettor open"),
        Fix("fuel line", 9, np.array([0, 0, 1.0])),
    ]
    setups, belief = {"carburettor open": 6.0}, np.array([0.4, 0.35, 0.25])
    by_hand = 1 * 16 + 0.6 * 12 + 0.25 * 9
    assert cost_of_fixes((0, 2, 3), belief, fixes, setups) == pytest.approx(by_hand)
    partly = 1 * 40 + (1 - 0.675) * 9 + 0.075 * 100
    assert cost_of_fixes((1, 3), belief, fixes, setups, give_up=100) == pytest.approx(partly)
    with pytest.raises(ValueError, match="carburettor open"):
        cost_of_fixes((0,), belief, fixes)


def test_shared_disassembly_is_exact_without_overlap():
    # The array code against all orders, 4 to 6 fixes in two groups.
    rng = np.random.default_rng(8)
    for _ in range(25):
        count = int(rng.integers(4, 7))
        belief = rng.dirichlet(np.ones(count))
        groups = rng.choice(["lid", "flywheel", None], count)
        fixes = [
            Fix(str(i), float(rng.uniform(3, 60)), np.eye(count)[i] * rng.uniform(0.6, 1), groups[i])
            for i in range(count)
        ]
        setups = {"lid": 12.0, "flywheel": 25.0}
        best = best_order(
            count,
            lambda order, b=belief, f=fixes, s=setups: cost_of_fixes(order, b, f, s),
        )
        got = best_action(belief, [], fixes, setups=setups)
        assert got.cost == pytest.approx(best.cost, rel=1e-9)
        lid = cost_of_fixes(best.order, belief, fixes, setups | {"lid": 0.0})
        assert best_action(belief, [], fixes, setups=setups, opened={"lid"}).cost <= lid + 1e-9


def test_sets_of_fixes_are_as_good_as_all_orders():
    rng = np.random.default_rng(10)
    for _ in range(10):
        belief = rng.dirichlet(np.ones(4)) * 0.95
        fixes = [
            Fix(str(i), float(rng.uniform(5, 50)), rng.uniform(0, 0.9, 4), rng.choice(["lid", None]))
            for i in range(5)
        ]
        setups = {"lid": 15.0}
        every = every_order(5, lambda o, b=belief, f=fixes, s=setups: cost_of_fixes(o, b, f, s, 200.0))
        whole = cheapest_fixes(belief, fixes, setups, 200.0, may_stop=False)
        assert whole.cost == pytest.approx(every[0].cost)
        assert cost_of_fixes(whole.order, belief, fixes, setups, 200.0) == pytest.approx(whole.cost)
        assert cheapest_fixes(belief, fixes, setups, 200.0).cost <= whole.cost + 1e-9
    p, c = [0.45, 0.2, 0.15, 0.1], [40, 8, 20, 60]
    stopped = cheapest_fixes(p, [Fix(str(i), cost, np.eye(4)[i]) for i, cost in enumerate(c)], give_up=60)
    assert (stopped.order, stopped.cost) == ((1,), pytest.approx(56.0))
    with pytest.raises(ValueError, match="at most 12"):
        cheapest_fixes(p, [Fix("x", 1, np.ones(4))] * 13)


def test_overlapping_fixes_are_near_the_best_order():
    rng = np.random.default_rng(9)
    gaps = []
    for _ in range(30):
        belief = rng.dirichlet(np.ones(6))
        fixes = [Fix(str(i), float(rng.uniform(5, 50)), np.eye(6)[i]) for i in range(6)]
        fixes.append(Fix("all in one", float(rng.uniform(30, 90)), np.array([0.9, 0.9, 0.9, 0, 0, 0])))
        first = best_action(belief, [], fixes, give_up=200.0)
        rest = [f for i, f in enumerate(fixes) if i != first.position]
        left = belief * (1 - fixes[first.position].efficacy)
        onward = left.sum() * cheapest_fixes(left / left.sum(), rest, give_up=200.0).cost
        best = cheapest_fixes(belief, fixes, give_up=200.0)
        gaps.append((fixes[first.position].cost + onward) / best.cost - 1)
    assert np.mean(gaps) < 0.01


def test_asking_can_tell_nothing():
    blind = Check("look", 1, np.full((2, 3), 0.5))
    found = learn(PRIOR, blind)
    assert found.gain == pytest.approx(0, abs=1e-12)
    assert best_action(PRIOR, [blind], REPAIRS).kind == "fix"
    # "Can't tell" as a third outcome lowers the worth of a check in proportion.
    half = Check("half", 2, np.vstack([SPARK.likelihood / 2, np.full(3, 0.5)]), ("good", "bad", "can't tell"))
    assert learn(PRIOR, half).gain == pytest.approx(0.5461 / 2, abs=0.0001)


def test_a_free_check_or_fix_is_no_error():
    free = check("listen", 0, [0.9, 0.1, 0.5])
    assert learn(PRIOR, free).per_cost == float("inf")
    assert best_action(PRIOR, [free], [Fix("rest it", 0, np.array([0.1, 0, 0])), *REPAIRS]).cost < 71.5


def test_nothing_left_to_do():
    assert best_action(PRIOR, [], []) is None
    assert best_action(PRIOR, [SPARK], [], give_up=30).name == "give up"


def test_two_faults():
    assert chance_of_two([]) == pytest.approx(0.1)
    assert chance_of_two([0.3, 0.3]) < 0.5 < chance_of_two([0.7, 0.7])
    assert chance_of_two([1.0]) < 1


def test_a_big_world_is_quick():
    rng = np.random.default_rng(0)
    belief = rng.dirichlet(np.full(60, 0.5))
    checks = []
    for t in range(40):
        bad = rng.beta(1, 8, 60)
        bad[rng.choice(60, 3)] = 0.85
        checks.append(Check(f"check {t}", float(rng.uniform(1, 10)), np.array([1 - bad, bad])))
    fixes = [Fix(f"fix {i}", float(rng.uniform(5, 60)), np.eye(60)[i] * 0.9) for i in range(60)]
    took = []
    for _ in range(7):
        began = time.perf_counter()
        best_action(belief, checks, fixes)
        took.append(time.perf_counter() - began)
    assert min(took) < 0.01


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: Check("a", -1, np.eye(2)), "check 'a', cost: -1"),
        (lambda: Check("a", 1, np.array([[1.2], [-0.2]])), "check 'a', likelihood: 1.2"),
        (lambda: Check("a", 1, np.array([[0.5], [0.1]])), "sum to 1"),
        (lambda: Check("a", 1, np.eye(2), ("ok",)), "outcomes: give 2"),
        (lambda: Fix("b", 1, np.array([1.01])), "fix 'b', efficacy: 1.01"),
        (lambda: Fix("b", float("nan"), np.array([1.0])), "fix 'b', cost: nan"),
        (lambda: after_check(PRIOR, SPARK, "blue"), "'blue' is not an outcome; allowed: good, bad"),
        (lambda: after_check(PRIOR, SPARK, 2), "outcome 2 is not allowed; give 0 to 1"),
        (lambda: normalised([0.0, 0.0]), "ruled out"),
        (lambda: options(PRIOR, [], [Fix("b", 1, np.ones(2))]), "'b': 2 causes"),
        (lambda: options(PRIOR, [], [Fix("b", 1, np.ones(3), "lid")]), "group: 'lid' has no cost"),
        (lambda: options(PRIOR, [], REPAIRS, give_up=-1), "'give up', cost: -1"),
        (lambda: pc_order([0.9, 0.9], [1, 1]), "sum to 1.8"),
        (lambda: pc_order([0.9], [-1]), "costs: -1"),
        (lambda: every_order(9, lambda order: 0.0), "at most 8"),
        (lambda: chance_of_two([1.5]), "chance: 1.5"),
    ],
)
def test_bad_input_names_the_field(call, words):
    with pytest.raises(ValueError, match=words):
        call()
