"""Brier score, its parts, and the calibration error, on small examples worked by hand."""

import numpy as np
import pytest

from casebase.reuse.calibration import bins_by_edges, bins_of_equal_mass, brier, expected_error, murphy

STATED, FOUND = [0.9, 0.8, 0.7, 0.6, 0.3, 0.2], [1, 1, 0, 1, 0, 0]


def test_single_forecasts():
    for forecast, outcome, score in (
        (1, 1, 0),
        (0.7, 1, 0.09),
        (0.3, 1, 0.49),
        (0.5, 1, 0.25),
        (0.5, 0, 0.25),
    ):
        assert brier([forecast], [outcome]) == pytest.approx(score)


def test_brier_and_bins():
    assert brier(STATED, FOUND) == pytest.approx(0.138333, abs=1e-6)
    bins = bins_by_edges(STATED, FOUND, [0, 0.5, 0.75, 1])
    assert [b.stated for b in bins] == pytest.approx([0.25, 0.65, 0.85])
    assert [b.found for b in bins] == pytest.approx([0, 0.5, 1])
    assert expected_error(bins) == pytest.approx(0.183333, abs=1e-6)


def test_murphy():
    parts = murphy([0.8] * 5 + [0.4] * 5, [1, 1, 1, 1, 0, 1, 1, 1, 0, 0])
    assert (parts.reliability, parts.resolution, parts.uncertainty) == pytest.approx((0.02, 0.01, 0.21))
    assert parts.score == pytest.approx(0.22)


def test_the_parts_add_up():
    rng = np.random.default_rng(5)
    stated = rng.integers(0, 11, 300) / 10
    found = (rng.random(300) < stated).astype(int)
    assert murphy(stated, found).score == pytest.approx(brier(stated, found))


def test_equal_mass():
    bins = bins_of_equal_mass(np.linspace(0, 1, 50), [0, 1] * 25)
    assert [b.count for b in bins] == [10] * 5
    assert len(bins_of_equal_mass([0.5, 0.5], [0, 1])) == 2
    assert expected_error(bins_of_equal_mass([0.5] * 4, [0, 1, 0, 1], 1)) == 0


def test_bad_input_names_the_field():
    for call, words in (
        (lambda: brier([1.2], [1]), "forecasts"),
        (lambda: brier([0.5], [0.5]), "outcomes"),
        (lambda: brier([], []), "at least one"),
        (lambda: bins_by_edges([0.5], [1], [0, 0.5]), "edges"),
        (lambda: bins_of_equal_mass([0.5], [1], 0), "count: 0"),
        (lambda: expected_error([]), "bins"),
    ):
        with pytest.raises(ValueError, match=words):
            call()
