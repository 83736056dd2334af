"""Intervals, posteriors and effective counts against published and independently computed values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats
from statsmodels.stats.proportion import proportion_confint

from casebase.reuse.intervals import (
    BetaPosterior,
    beta_cdf,
    beta_quantile,
    clean_tries,
    clopper_pearson,
    highest_after_none,
    jeffreys,
    kish,
    prob_better,
    weigh_evidence,
    wilson,
)

# Newcombe 1998, Stat Med 17:857-872, Table I, methods 3, 4, 5 (values recalled, all recomputed);
# the Jeffreys column is the plain equal-tailed interval, recomputed. Tolerance half a printed unit.
NEWCOMBE = [
    (81, 263, (0.2553, 0.3662), (0.2535, 0.3682), (0.2527, 0.3676), (0.2545, 0.3656)),
    (15, 148, (0.0624, 0.1605), (0.0598, 0.1644), (0.0578, 0.1617), (0.0604, 0.1576)),
    (0, 20, (0.0, 0.1611), (0.0, 0.2005), (0.0, 0.1684), (0.0, 0.1166)),
    (1, 29, (0.0061, 0.1718), (0.0018, 0.1963), (0.0009, 0.1776), (0.0037, 0.1501)),
]


@pytest.mark.parametrize(("k", "n", "score", "corrected", "exact", "bayes"), NEWCOMBE)
def test_published_intervals(k, n, score, corrected, exact, bayes):
    for got, printed in (
        (wilson(k, n), score),
        (wilson(k, n, corrected=True), corrected),
        (clopper_pearson(k, n), exact),
        (jeffreys(k, n), bayes),
    ):
        assert (got.low, got.high) == pytest.approx(printed, abs=0.00005)


def test_teaching_example():
    # 23 of 60: a teaching page citing Newcombe 1998.
    assert (wilson(23, 60).low, wilson(23, 60).high) == pytest.approx((0.2709, 0.5098), abs=0.00005)
    corrected = wilson(23, 60, corrected=True)
    assert (corrected.low, corrected.high) == pytest.approx((0.2635, 0.5181), abs=0.00005)


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.99])
def test_against_statsmodels(level: float) -> None:
    # statsmodels.stats.proportion.proportion_confint: an independent implementation of three of the intervals.
    methods = (("wilson", wilson), ("beta", clopper_pearson), ("jeffreys", jeffreys))
    for n in (1, 2, 5, 20, 61, 400):
        for k in {0, 1, n // 3, n // 2, n - 1, n}:
            for name, ours in methods:
                expected = proportion_confint(k, n, alpha=1 - level, method=name)
                assert tuple(ours(k, n, level)) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("k", "n", "low", "high"),
    [
        (7, 9, 0.4526, 0.9368),
        (3, 3, 0.4385, 1),
        (1, 1, 0.2065, 1),
        (0, 1, 0, 0.7935),
        (18, 20, 0.6990, 0.9721),
    ],
)
def test_shop_sized(k, n, low, high):  # our own, by the formula
    assert (wilson(k, n).low, wilson(k, n).high) == pytest.approx((low, high), abs=0.00005)


def test_the_lower_bound_ranks_many_over_one():
    lows = [wilson(k, n).low for k, n in ((18, 20), (7, 9), (3, 3), (1, 1))]
    assert lows == sorted(lows, reverse=True)


@pytest.mark.parametrize("corrected", [False, True])
def test_symmetry_and_containment(corrected):
    for n in (0.4, 1, 2.5, 9, 40):
        for k in np.linspace(0, n, 9):
            there, back = wilson(k, n, corrected=corrected), wilson(n - k, n, corrected=corrected)
            assert (there.low, there.high) == pytest.approx((1 - back.high, 1 - back.low), abs=1e-9)
            assert 0 <= there.low <= k / n + 1e-12
            assert k / n - 1e-12 <= there.high <= 1


@given(st.floats(0, 60), st.floats(0, 60))
def test_more_cures_never_lower_an_interval(cured: float, failed: float) -> None:
    before, after = wilson(cured, cured + failed), wilson(cured + 1, cured + failed + 1)
    assert after.low >= before.low - 1e-12
    assert wilson(cured, cured + failed + 1).high <= before.high + 1e-12
    assert before.width == pytest.approx(before.high - before.low)


def test_nothing_counted_is_nothing_known():
    assert (wilson(0, 0).low, wilson(0, 0).high) == (0, 1)
    assert (clopper_pearson(0, 0).low, clopper_pearson(0, 0).high) == (0, 1)


def test_beta_binomial():
    # Our own, closed form: uniform prior and 7 of 9 give Beta(8, 3).
    uniform = BetaPosterior.counted(7, 9)
    assert (uniform.a, uniform.b) == pytest.approx((8, 3), abs=1e-5)
    assert uniform.mean == pytest.approx(0.727273, abs=1e-6)
    assert [uniform.quantile(p) for p in (0.025, 0.5, 0.975)] == pytest.approx([0.4439, 0.7414, 0.9333], abs=0.00005)
    for k, n, mean in ((7, 9, 0.723077), (1, 1, 0.68), (0, 1, 0.48)):
        assert BetaPosterior.counted(k, n, 0.6, 4).mean == pytest.approx(mean, abs=1e-6)
    assert prob_better(BetaPosterior(8, 3), BetaPosterior(3, 3)) == pytest.approx(0.833167, abs=1e-6)


def test_what_is_learnt_step_by_step_is_learnt_at_once() -> None:
    assert BetaPosterior(1, 1).updated(3, 4).updated(4, 5) == BetaPosterior(8, 3)


def test_the_ends_of_the_beta_distribution() -> None:
    assert [beta_cdf(x, 2, 3) for x in (-1, 0, 1, 2)] == [0, 0, 1, 1]
    assert [beta_quantile(p, 2, 3) for p in (0, 1)] == [0, 1]
    for call in (beta_cdf, beta_quantile):
        with pytest.raises(ValueError, match="a, b"):
            call(0.5, 0, 1)


def closed_form(first, second):
    """P(first > second) for whole parameters of `first` (recalled closed form)."""
    return sum(
        math.exp(
            special.betaln(second.a + i, second.b + first.b)
            - math.log(first.b + i)
            - special.betaln(1 + i, first.b)
            - special.betaln(second.a, second.b)
        )
        for i in range(int(first.a))
    )


@pytest.mark.parametrize("numbers", [(8, 3, 3, 3), (1, 1, 40, 2), (60, 7, 2, 9), (1, 1, 1, 1), (300, 400, 3, 5)])
def test_better_agrees_with_the_closed_form(numbers):
    first, second = BetaPosterior(*numbers[:2]), BetaPosterior(*numbers[2:])
    assert prob_better(first, second) == pytest.approx(closed_form(first, second), abs=1e-9)
    assert prob_better(second, first) == pytest.approx(1 - prob_better(first, second), abs=1e-9)


def test_better_for_fractions():
    rng = np.random.default_rng(4)
    first, second = BetaPosterior(0.5, 7.3), BetaPosterior(1.7, 4.4)
    drawn = rng.beta(0.5, 7.3, 400_000) > rng.beta(1.7, 4.4, 400_000)
    assert prob_better(first, second) == pytest.approx(drawn.mean(), abs=0.003)


def test_beta_against_scipy():
    rng = np.random.default_rng(1)
    for _ in range(300):
        a, b = np.exp(rng.uniform(-2, 6, 2))
        x, p = rng.uniform(size=2)
        assert beta_cdf(x, a, b) == pytest.approx(special.betainc(a, b, x), abs=1e-10)
        assert beta_quantile(p, a, b) == pytest.approx(stats.beta.ppf(p, a, b), abs=1e-9)
    for a, b in ((0.5, 20.5), (1e-3, 3), (4000, 9000), (0.5, 0.5)):
        for p in (1e-6, 0.025, 0.5, 0.975, 1 - 1e-6):
            assert beta_quantile(p, a, b) == pytest.approx(stats.beta.ppf(p, a, b), abs=1e-9)


@pytest.mark.parametrize(
    ("weights", "size"),
    [
        ((1, 1, 1, 1), 4),
        ((4, 3, 2, 1), 100 / 30),
        ((1, 0.5, 0.25), 2.3333),
        ((1, 0, 0), 1),
        ((0.9, 0.8, 0.5, 0.2, 0.1), 3.5714),
        ((), 0),
    ],
)
def test_kish(weights, size):  # formula Kish 1965 (recalled), vectors our own
    assert kish(weights) == pytest.approx(size, abs=0.00005)
    assert kish([7 * w for w in weights]) == pytest.approx(size, abs=0.00005)


def test_weighted_evidence():
    found = weigh_evidence((0.9, 0.8, 0.5, 0.2, 0.1), (1, 1, 0, 1, 0))
    assert found.share == pytest.approx(0.76)
    assert found.n_eff == pytest.approx(3.5714, abs=0.00005)
    assert found.n_rel == found.n == pytest.approx(2.5)
    by_kish = wilson(found.share * found.n_eff, found.n_eff)
    assert (by_kish.low, by_kish.high) == pytest.approx((0.2896, 0.9609), abs=0.00005)
    assert found.interval().width > by_kish.width


def test_hardly_similar_cases_say_little():
    found = weigh_evidence([0.2] * 5, [1] * 5)
    assert found.n_eff == pytest.approx(5)
    assert found.n == pytest.approx(1)


def test_one_machine_has_one_vote():
    found = weigh_evidence([1, 1, 1, 1], [1, 1, 1, 0], ["M-1", "M-1", "M-1", None])
    assert found.n == pytest.approx(2)
    assert found.share == pytest.approx(0.5)
    assert weigh_evidence([], []).share is None


def test_intermittent_faults():
    # Our own: clean starts for 95 % detection; rule of three.
    assert [clean_tries(p) for p in (0.1, 0.3, 0.02)] == [29, 9, 149]
    assert clean_tries(1) == 1
    assert highest_after_none(100) == pytest.approx(3 / 100, rel=0.02)


@pytest.mark.parametrize(
    ("call", "field"),
    [
        (lambda: wilson(3, 2), "k: 3"),
        (lambda: wilson(-1, 2), "k: -1"),
        (lambda: wilson(1, -2), "n: -2"),
        (lambda: wilson(1, 2, 1.0), "level: 1"),
        (lambda: BetaPosterior.counted(1, 2, prior_mean=1.2), "prior_mean: 1.2"),
        (lambda: BetaPosterior(0, 1), "a, b"),
        (lambda: weigh_evidence([1.5], [1]), "weights: 1.5"),
        (lambda: weigh_evidence([0.5], [1, 0]), "one of each per case"),
        (lambda: clean_tries(0), "chance: 0"),
        (lambda: beta_quantile(2, 1, 1), "p: 2"),
    ],
)
def test_bad_input_names_the_field(call, field):
    with pytest.raises(ValueError, match=field):
        call()
