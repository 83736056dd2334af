"""Measures of rankings and classifications; one function each, its variant named. Those of chances are in `reuse`.

Sources: Järvelin & Kekäläinen 2002 (discounted gain; here gain / log2(rank + 1), the common later form).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np


def dcg(gains: Sequence[float]) -> float:
    """Σ gain / log2(rank + 1)."""
    return float(sum(gain / np.log2(rank + 1) for rank, gain in enumerate(gains, 1)))


def ndcg(ranked: Sequence[str], gains: Mapping[str, float], depth: int) -> float:
    """DCG of the first `depth` over that of the best order; 0 where nothing has a gain above 0."""
    best = dcg(sorted((gain for gain in gains.values() if gain > 0), reverse=True)[:depth])
    return dcg([max(gains.get(name, 0.0), 0.0) for name in ranked[:depth]]) / best if best else 0.0


def binary_ndcg(hits: Sequence[bool], available: int, depth: int = 10) -> float:
    """nDCG where all relevant ones gain 1 and `available` of them could have been found."""
    best = dcg([1.0] * min(depth, available))
    return dcg([float(hit) for hit in hits[:depth]]) / best if best else 0.0


def reciprocal_rank(hits: Sequence[bool]) -> float:
    """1 / rank of the first hit; 0 without one."""
    return next((1.0 / rank for rank, hit in enumerate(hits, 1) if hit), 0.0)


def precision(hits: Sequence[bool], depth: int) -> float:
    """Share of hits among the first `depth` places."""
    return sum(hits[:depth]) / depth


def average_precision(ranked: Sequence[str], relevant: Collection[str]) -> float:
    """Mean over the relevant of the precision at their ranks, those not ranked counting 0."""
    found, total = 0, 0.0
    for rank, name in enumerate(ranked, 1):
        if name in relevant:
            found += 1
            total += found / rank
    return total / len(relevant) if relevant else 0.0


def recall(ranked: Sequence[str], relevant: Collection[str], depth: int) -> float:
    """Share of the relevant among the first `depth`."""
    return len(set(ranked[:depth]) & set(relevant)) / len(relevant) if relevant else 0.0


def macro_f1(true: Sequence[int], said: Sequence[int]) -> float:
    """Mean F1 over the classes that occur on either side."""
    classes = sorted({*true, *said})
    scores = []
    for number in classes:
        both = sum(t == s == number for t, s in zip(true, said, strict=True))
        total = sum(t == number for t in true) + sum(s == number for s in said)
        scores.append(2 * both / total)
    return float(np.mean(scores)) if scores else 0.0
