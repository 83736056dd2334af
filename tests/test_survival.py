"""Kaplan-Meier and log-rank against published tables and an independent library."""

import numpy as np
import pytest

from casebase.reuse.survival import Holding, holding_after, kaplan_meier, log_rank, share_holding

# Freireich 1963, 6-MP against placebo; data read in Le, Introductory Biostatistics, Ex. 11.1.
MP = ([6, 6, 6, 7, 10, 13, 16, 22, 23], [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35])
PLACEBO = ([1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23], [])


def joined(events, censored):
    return np.array([*events, *censored]), np.array([1] * len(events) + [0] * len(censored))


def test_6mp():
    printed = [
        (6, 21, 3, 0.8571, 0.0764),
        (7, 17, 1, 0.8067, 0.0869),
        (10, 15, 1, 0.7529, 0.0963),
        (13, 12, 1, 0.6902, 0.1068),
        (16, 11, 1, 0.6275, 0.1141),
        (22, 7, 1, 0.5378, 0.1282),
        (23, 6, 1, 0.4482, 0.1346),
    ]
    curve = kaplan_meier(*joined(*MP))
    assert [(p.time, p.at_risk, p.events) for p in curve] == [row[:3] for row in printed]
    assert [p.share for p in curve] == pytest.approx([row[3] for row in printed], abs=0.00005)
    assert [p.error for p in curve] == pytest.approx([row[4] for row in printed], abs=0.00005)


def test_placebo():
    # Cox & Oakes lecture for the first values and S(10) = 8/21; the last event ends the curve.
    curve = kaplan_meier(*joined(*PLACEBO))
    shares = [0.905, 0.810, 0.762, 0.667, 0.571, 0.381, 0.286, 0.190, 0.143, 0.095, 0.048, 0]
    assert [p.share for p in curve] == pytest.approx(shares, abs=0.0005)
    assert share_holding(curve, 10) == pytest.approx(8 / 21)
    assert share_holding(curve, 0.5) == 1


def test_log_rank():
    found = log_rank(*joined(*MP), *joined(*PLACEBO))
    assert found.observed == 9
    assert (found.expected, found.variance) == pytest.approx((19.2505, 6.2570), abs=0.00005)
    assert found.chi_square == pytest.approx(16.793, abs=0.0005)
    back = log_rank(*joined(*PLACEBO), *joined(*MP))
    assert back.chi_square == pytest.approx(found.chi_square)


def test_bewick():
    # Bewick, Cheek & Ball 2004, Critical Care 8:389, Table 2.
    curve = kaplan_meier(*joined([1, 1, 4, 5, 9, 22], [6, 9]))
    assert [p.share for p in curve] == pytest.approx([0.750, 0.625, 0.500, 0.333, 0], abs=0.0005)


def test_no_news_is_not_success():
    # Our own: two comebacks, six repairs known to hold for a while; then the same with nobody asked.
    curve = kaplan_meier(*joined([12, 40], [30, 60, 90, 90, 120, 200]))
    assert [p.share for p in curve] == pytest.approx([0.875, 0.7292], abs=0.00005)
    unasked = kaplan_meier(*joined([12, 40], [0] * 6))
    assert unasked[0].at_risk == 2 and unasked[0].share == pytest.approx(0.5)


def test_against_an_independent_library():
    duration = pytest.importorskip("statsmodels.duration.survfunc")
    rng = np.random.default_rng(6)
    for _ in range(5):
        times, events = rng.integers(1, 40, 60), rng.random(60) < 0.6
        other, other_events = rng.integers(1, 60, 50), rng.random(50) < 0.5
        reference = duration.SurvfuncRight(times, events.astype(int))
        curve = kaplan_meier(times, events)
        assert [p.share for p in curve] == pytest.approx(list(reference.surv_prob), abs=1e-12)
        assert [p.error for p in curve if p.share] == pytest.approx(
            [e for e, s in zip(reference.surv_prob_se, reference.surv_prob, strict=True) if s], abs=1e-12
        )
        chi_square, p_value = duration.survdiff(
            np.r_[times, other], np.r_[events, other_events].astype(int), np.repeat([0, 1], [60, 50])
        )
        found = log_rank(times, events, other, other_events)
        assert (found.chi_square, found.p_value) == pytest.approx((chi_square, p_value), abs=1e-9)


def test_band():
    # Log-log band at 6 weeks of the 6-MP arm: S^exp(+-z se / (S ln S)), by hand .6197 to .9516.
    first = kaplan_meier(*joined(*MP))[0]
    assert (first.low, first.high) == pytest.approx((0.6197, 0.9516), abs=0.0005)
    assert all(0 <= p.low <= p.share <= p.high <= 1 for p in kaplan_meier(*joined(*PLACEBO)))


def test_nothing_to_compare():
    assert kaplan_meier([], []) == []
    assert kaplan_meier([5, 6], [0, 0]) == []
    assert log_rank([5], [0], [6], [0]) is None
    with pytest.raises(ValueError, match="times"):
        kaplan_meier([-1], [1])
    with pytest.raises(ValueError, match="one of each"):
        kaplan_meier([1, 2], [1])
    with pytest.raises(ValueError, match="level: 0"):
        kaplan_meier([1], [1], 0)


def test_holding_after_needs_fates_and_has_a_band():
    days, back = joined([12, 40], [30, 60, 90, 90, 120, 200])
    month, season, half = (holding_after(days, back, day) for day in (30, 90, 180))
    point = kaplan_meier(days, back)[0]
    assert (month.known, month.share, month.low, month.high) == (8, point.share, point.low, point.high)
    assert (season.known, season.share) == (6, pytest.approx(0.7292, abs=0.00005))
    assert (half.known, half.share, half.low, half.high) == (3, None, None, None)
    assert holding_after(*joined([5, 6, 7, 8], [20]), 30).share is None  # nobody was seen to hold that long
    assert holding_after([], [], 30) == Holding(30, 0)
    assert holding_after(*joined([30], [30, 30, 30]), 30).share == pytest.approx(0.75)


def test_the_bands_of_holding_against_an_independent_library():
    duration = pytest.importorskip("statsmodels.duration.survfunc")
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    rng = np.random.default_rng(8)
    for _ in range(5):
        times, events = rng.integers(1, 400, 80), rng.random(80) < 0.4
        reference = duration.SurvfuncRight(times, events.astype(int))
        for day in (30, 180):
            found, at = holding_after(times, events, day), np.searchsorted(reference.surv_times, day, "right") - 1
            share, error = reference.surv_prob[at], reference.surv_prob_se[at]
            shift = np.exp(1.959964 * error / (share * np.log(share)))
            assert found.share == pytest.approx(share, abs=1e-12)
            assert (found.high, found.low) == pytest.approx((share**shift, share ** (1 / shift)), abs=1e-6)
            assert found.low < found.share < found.high
    for count in (4, 9, 40):
        none = holding_after([50] * count, [0] * count, 30)
        assert (none.low, none.high) == pytest.approx(proportion.proportion_confint(count, count, method="beta"))
        gone = holding_after(range(count), [1] * count, 60)
        assert (gone.low, gone.high) == pytest.approx(proportion.proportion_confint(0, count, method="beta"))
        assert (none.share, gone.share) == (1, 0)
