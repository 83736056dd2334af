"""Whether stated probabilities come true: Brier score, its parts, and the expected calibration error.

forecasts: probabilities, 0..1; outcomes: 1 if it came true, else 0; both (N,), N at least 1. Sources:
Brier 1950 (binary form, the mean of (f - o)^2: half of the original sum over two classes); Murphy 1973.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Murphy:
    """score = reliability - resolution + uncertainty; low reliability and high resolution are good."""

    reliability: float
    resolution: float
    uncertainty: float

    @property
    def score(self) -> float:
        return self.reliability - self.resolution + self.uncertainty


@dataclass(frozen=True, slots=True)
class Bin:
    """Forecasts of one bin: how many, their mean, and the share that came true."""

    count: int
    stated: float
    found: float


def _pairs(forecasts: npt.ArrayLike, outcomes: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    stated, found = np.asarray(forecasts, dtype=np.float64), np.asarray(outcomes, dtype=np.float64)
    if stated.shape != found.shape or stated.ndim != 1 or not stated.size:
        raise ValueError("forecasts, outcomes: give one of each, and at least one")
    if not ((stated >= 0) & (stated <= 1)).all():
        raise ValueError("forecasts: give numbers from 0 to 1")
    if not np.isin(found, (0, 1)).all():
        raise ValueError("outcomes: give only 0 and 1")
    return stated, found


def brier(forecasts: npt.ArrayLike, outcomes: npt.ArrayLike) -> float:
    """Mean squared distance of forecast and outcome; 0 is perfect, always saying .5 gives .25."""
    stated, found = _pairs(forecasts, outcomes)
    return float(((stated - found) ** 2).mean())


def murphy(forecasts: npt.ArrayLike, outcomes: npt.ArrayLike) -> Murphy:
    """The Brier score's parts, over groups of equal forecasts (exact: no binning)."""
    stated, found = _pairs(forecasts, outcomes)
    values, group = np.unique(stated, return_inverse=True)
    counts = np.bincount(group)
    shares = np.bincount(group, weights=found) / counts
    base = float(found.mean())
    reliability = float((counts * (values - shares) ** 2).sum() / len(stated))
    resolution = float((counts * (shares - base) ** 2).sum() / len(stated))
    return Murphy(reliability, resolution, base * (1 - base))


def bins_by_edges(forecasts: npt.ArrayLike, outcomes: npt.ArrayLike, edges: Sequence[float]) -> list[Bin]:
    """Bins [edge, next edge), the last one closed; empty bins are left out. edges rise from 0 to 1."""
    stated, found = _pairs(forecasts, outcomes)
    if edges[0] != 0 or edges[-1] != 1 or any(a >= b for a, b in pairwise(edges)):
        raise ValueError("edges: give rising numbers from 0 to 1")
    where = np.clip(np.searchsorted(edges, stated, side="right") - 1, 0, len(edges) - 2)
    return [
        Bin(int((where == b).sum()), float(stated[where == b].mean()), float(found[where == b].mean()))
        for b in range(len(edges) - 1)
        if (where == b).any()
    ]


def bins_of_equal_mass(
    forecasts: npt.ArrayLike, outcomes: npt.ArrayLike, count: int | None = None
) -> list[Bin]:
    """Bins with about equally many forecasts, in their order; equal forecasts may fall into two bins.

    count: of bins; by default 5 under 100 forecasts and 10 from there on.
    """
    stated, found = _pairs(forecasts, outcomes)
    if count is None:
        count = 5 if len(stated) < 100 else 10
    if count < 1:
        raise ValueError(f"count: {count} is not allowed; give a number from 1")
    order = np.argsort(stated, kind="stable")
    parts = [part for part in np.array_split(order, count) if len(part)]
    return [Bin(len(part), float(stated[part].mean()), float(found[part].mean())) for part in parts]


def expected_error(bins: Sequence[Bin]) -> float:
    """Expected calibration error: the mean gap of stated and found, weighted by the size of the bins.

    It depends on the binning, so say which one beside the figure.
    """
    total = sum(b.count for b in bins)
    if not total:
        raise ValueError("bins: give at least one that is not empty")
    return sum(b.count * abs(b.stated - b.found) for b in bins) / total
