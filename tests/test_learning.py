"""Probabilities from few cases."""

import numpy as np
import pytest

from casebase.reuse.learning import m_estimate, pooled_chances, up_the_tree


def test_m_estimate():
    # Worked by hand: 7 of 9 on a prior of .6 worth 4 cases; and nothing seen leaves the prior.
    assert m_estimate([7, 2], [0.6, 0.4], 4)[0] == pytest.approx(0.723077, abs=1e-6)
    assert m_estimate([0, 0], [0.6, 0.4], 4) == pytest.approx([0.6, 0.4])
    assert m_estimate([[3, 1], [0, 0]], [0.5, 0.5], 2) == pytest.approx(
        np.array([[4 / 6, 2 / 6], [0.5, 0.5]])
    )


def test_backing_off_up_the_tree():
    # Root (fuel) - carburettor - needle, jet: the jet has no case and takes its parent's shares.
    shares = up_the_tree([[0, 0], [2, 0], [6, 2], [0, 0]], [-1, 0, 1, 1], 2)
    assert shares[0] == pytest.approx([9 / 12, 3 / 12])
    assert shares[1] == pytest.approx([(8 + 2 * 0.75) / 12, (2 + 2 * 0.25) / 12])
    assert shares[3] == pytest.approx(shares[1])
    assert shares.sum(axis=1) == pytest.approx(np.ones(4))


def test_many_cases_win_over_any_start():
    assert m_estimate([700, 300], [0.1, 0.9], 4)[0] == pytest.approx(0.7, abs=0.01)
    assert pooled_chances([70, 5], [100, 100]) == pytest.approx([0.7, 0.05], abs=0.03)


def test_pooling_learns_that_checks_are_mostly_sharp():
    sharp = pooled_chances([9, 0, 10, 1, 0, 10, 1], [10, 10, 10, 10, 10, 10, 1])
    alone = pooled_chances([1], [1])
    assert sharp[-1] > alone[0] > 0.5
    assert pooled_chances([[0, 0]], [[0, 0]]) == pytest.approx(np.full((1, 2), 0.5))


def test_pooling_beats_one_pull_for_all():
    rng = np.random.default_rng(2)
    truth = np.where(rng.random(200) < 0.35, 0.9, 0.08)
    seen = rng.integers(1, 6, 200)
    bad = rng.binomial(seen, truth)
    pooled = pooled_chances(bad, seen)
    share = bad.sum() / seen.sum()
    pulled = (bad + 2 * share) / (seen + 2)
    assert ((pooled - truth) ** 2).mean() < ((pulled - truth) ** 2).mean()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: m_estimate([1], [1], 0), "m: 0"),
        (lambda: m_estimate([-1], [1], 1), "counts"),
        (lambda: up_the_tree([[0, 1], [1, 0]], [1, -1], 2), "parents: node 0"),
        (lambda: pooled_chances([2], [1]), "hits"),
        (lambda: pooled_chances([1], [1], strength=0), "strength: 0"),
    ],
)
def test_bad_input_names_the_field(call, words):
    with pytest.raises(ValueError, match=words):
        call()
