"""Probabilities learned from few cases: pulled towards what is usual, and less so as cases come in.

Counts may be fractions (cases weighted by similarity). Sources: Cestnik 1990 (m-estimate); Robbins 1956
(empirical Bayes: the prior is learned from all the pairs together), Laird 1978 (its mixture by EM).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from casebase.reuse.troubleshoot import FloatArray

_GRID: FloatArray = np.linspace(0.03, 0.97, 20)
_ROUNDS = 15


def m_estimate(counts: npt.ArrayLike, prior: npt.ArrayLike, m: float) -> FloatArray:
    """Shares from counts on top of a prior worth m cases: (n_o + m pi_o) / (n + m).

    counts: (..., outcomes), fractions allowed; prior: broadcast to it, last axis summing to 1; m > 0.
    Use it along a tree: the estimate of the parent is the prior of the child. Source: Cestnik 1990.
    """
    if not m > 0:
        raise ValueError(f"m: {m:g} is not allowed; give a number above 0")
    seen = np.asarray(counts, dtype=np.float64)
    if (seen < 0).any():
        raise ValueError("counts: give numbers that are not negative")
    pulled = seen + m * np.asarray(prior, dtype=np.float64)
    return np.asarray(pulled / pulled.sum(axis=-1, keepdims=True))


def up_the_tree(counts: npt.ArrayLike, parents: Sequence[int], m: float) -> FloatArray:
    """Shares of outcomes at every node of a cause tree, backing off to the parent where cases are few.

    counts: (nodes, outcomes), the cases recorded at each node itself; parents: position of each node's
    parent, -1 at a root, and always before the child; m: cases the parent's estimate is worth, > 0.
    A node's own cases and those below it count for it; a root is pulled to even shares. (nodes, outcomes).
    """
    total = np.array(counts, dtype=np.float64)
    for node in range(len(total) - 1, -1, -1):
        if parents[node] >= node:
            raise ValueError(f"parents: node {node} is not allowed to come before its parent {parents[node]}")
        if parents[node] >= 0:
            total[parents[node]] += total[node]
    shares = np.empty_like(total)
    even = np.full(total.shape[1], 1 / total.shape[1])
    for node, parent in enumerate(parents):
        shares[node] = m_estimate(total[node], shares[parent] if parent >= 0 else even, m)
    return shares


def pooled_chances(
    hits: npt.ArrayLike, tries: npt.ArrayLike, strength: float = 2.0, usual: npt.ArrayLike | None = None
) -> FloatArray:
    """P(bad | cause) of many pairs of check and cause, each with few cases, learned together.

    hits, tries: same shape, cases read bad and cases read at all. How such chances are spread (mostly
    near 0 and 1, or evenly) is learned from all the pairs as weights on a grid of chances; each pair's
    estimate is its posterior mean under that. An m-estimate instead pulls every pair to one value, even
    when no pair is near it. strength: pairs the even spread is worth before any is seen; usual: another
    spread to start from, (20,) weights on chances .03 to .97. Without a try the answer is the spread's mean.
    """
    bad, seen = np.asarray(hits, dtype=np.float64), np.asarray(tries, dtype=np.float64)
    if (bad < 0).any() or (bad > seen + 1e-9).any():
        raise ValueError("hits: give numbers from 0 to tries")
    if not strength > 0:
        raise ValueError(f"strength: {strength:g} is not allowed; give a number above 0")
    log = bad.reshape(-1, 1) * np.log(_GRID) + (seen - bad).reshape(-1, 1) * np.log1p(-_GRID)
    likelihood = np.exp(log - log.max(axis=1, keepdims=True))
    start = np.full(len(_GRID), 1.0) if usual is None else np.asarray(usual, dtype=np.float64)
    start = start / start.sum()
    spread = start
    for _ in range(_ROUNDS):
        share = likelihood * spread
        share /= share.sum(axis=1, keepdims=True)
        spread = (share[seen.ravel() > 0].sum(axis=0) + strength * start) / ((seen > 0).sum() + strength)
    share = likelihood * spread
    means = (share @ _GRID) / share.sum(axis=1)
    return np.asarray(means.reshape(bad.shape))
