"""The text part: words to features, features to weights, weights to a similarity.

A feature is a trade headword where the vocabulary knows the word, else its Porter stem (Porter 1980, through
snowballstemmer): the general stemmer alone would merge "generator" with "general" and part "dies" from "dying".
Features are kept as 64-bit hashes, so that the index is plain sorted numbers.

Similarity is BM25 (Robertson & Zaragoza 2009, with the idf that cannot turn negative), divided by the most a
case could score for the query: the share, in [0, 1], of what the query says that the case says too.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from functools import cache, lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from casebase.trade.words import Folding, tokens

K1 = 1.2
B = 0.75
HASH_BYTES = 8

FloatArray = npt.NDArray[np.float64]


@cache
def _stemmer() -> Any:
    import snowballstemmer

    return snowballstemmer.stemmer("porter")


@lru_cache(maxsize=100_000)
def stem(word: str) -> str:
    """Porter's stem of a word of letters; other words are their own stem."""
    return str(_stemmer().stemWord(word)) if word.isalpha() else word


def features(text: str, folding: Folding | None = None) -> dict[str, float]:
    """The features of a text with their counts. Without `folding` every word is stemmed."""
    counts: dict[str, float] = {}
    for token in tokens(text):
        if token.is_break:
            continue
        head = folding.heads.get(token.text) if folding else None
        feature = head if head is not None else stem(token.text)
        counts[feature] = counts.get(feature, 0.0) + 1.0
    return counts


def add_features(parts: Iterable[tuple[str, float]], folding: Folding | None = None) -> dict[str, float]:
    """Counts over several fields, each with its weight; fields are joined before tf saturates (BM25F)."""
    total: dict[str, float] = {}
    for text, weight in parts:
        for feature, count in features(text, folding).items():
            total[feature] = total.get(feature, 0.0) + weight * count
    return total


@lru_cache(maxsize=200_000)
def hashed(feature: str) -> int:
    """A feature's 64-bit hash; the same on every machine."""
    return int.from_bytes(hashlib.blake2b(feature.encode(), digest_size=HASH_BYTES).digest(), "little")


def idf(document_frequency: npt.ArrayLike, documents: int) -> FloatArray:
    """ln(1 + (N − df + ½)/(df + ½)): how telling a feature is; never negative."""
    df = np.asarray(document_frequency, dtype=np.float64)
    return np.log1p((documents - df + 0.5) / (df + 0.5))


def saturated(tf: npt.NDArray[Any], length: npt.NDArray[Any], mean_length: float) -> FloatArray:
    """BM25's tf part, in [0, K1 + 1): tf·(k1+1) / (tf + k1·(1 − b + b·length/mean))."""
    tf = np.asarray(tf, dtype=np.float64)
    scale = K1 * (1 - B + B * np.asarray(length, dtype=np.float64) / max(mean_length, 1e-9))
    return tf * (K1 + 1) / (tf + scale)


def cosine(one: Mapping[str, float], other: Mapping[str, float]) -> float:
    """Cosine of two sparse vectors, in [0, 1] for non-negative ones; 0 where one of them is empty."""
    if len(one) > len(other):
        one, other = other, one
    dot = sum(value * other.get(key, 0.0) for key, value in one.items())
    norm = float(np.sqrt(sum(v * v for v in one.values()) * sum(v * v for v in other.values())))
    return dot / norm if norm else 0.0
