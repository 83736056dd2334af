"""The text part: words to features, features to weights, weights to a score.

A feature is a trade headword where the vocabulary knows the word, else its Porter stem (Porter 1980, through
snowballstemmer): the general stemmer alone would merge "generator" with "general" and part "dies" from "dying".
Neighbouring features make a pair. Features are kept as 64-bit hashes, so that the index is plain sorted numbers.

The score is BM25 (Robertson & Zaragoza 2009, with the idf that cannot turn negative) over words, and a share
of it over pairs, then improved by feedback from the best first texts (Rocchio 1971, without judgements). It is
divided by the most a text is expected to reach, so that it lies in [0, 1]. The constants were chosen by
measurement; DEVELOPERS.md has the table.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from functools import cache, lru_cache
from threading import Lock
from typing import Any

import numpy as np
import numpy.typing as npt

from casebase.trade.words import Folding, tokens

K1 = 1.5
B = 0.75
PAIR = 0.3
FEEDBACK, FED_TEXTS, FED_TERMS = 0.4, 5, 100
HASH_BYTES = 8
# Stands between the words of a pair; no word holds it.
PAIRED = "/"

FloatArray = npt.NDArray[np.float64]


# A stemmer holds the word it works on, so it serves one thread at a time.
_stemming = Lock()


@cache
def _stemmer() -> Any:
    import snowballstemmer

    return snowballstemmer.stemmer("porter")


@lru_cache(maxsize=100_000)
def stem(word: str) -> str:
    """Porter's stem of a word of letters; other words are their own stem."""
    if not word.isalpha():
        return word
    with _stemming:
        return str(_stemmer().stemWord(word))


# Words that carry no matter of their own. "Not" and "no" among them count through the vocabulary's terms.
STOP_WORDS = frozenset(
    "a about above after again against all also am an and any are as at be because been before being below between "
    "both but by can could d did do does doing down during each etc few for from further had has have having he her "
    "here hers him his how i if in into is it its itself just ll m may me might more most must my no nor not now of "
    "off on once only or other our ours out over own re s same shall she should so some such t than that the their "
    "theirs them then there these they this those through to too under until up upon us ve very was we were what "
    "when where which while who whom whose why will with would you your yours".split())


def words_in(text: str, folding: Folding | None = None) -> list[str]:
    """The features of single words, in order, stop words left out. Without `folding` every word is stemmed."""
    found = []
    for token in tokens(text):
        if token.is_break or token.text in STOP_WORDS:
            continue
        head = folding.heads.get(token.text) if folding else None
        found.append(head if head is not None else stem(token.text))
    return found


def said(text: str) -> str:
    """The words of a text, folded, with single blanks between; two texts with equal words are identical."""
    return " ".join(token.text for token in tokens(text) if not token.is_break)


def features(text: str, folding: Folding | None = None) -> dict[str, float]:
    """The features of a text with their counts: words, and pairs of neighbours."""
    counts: dict[str, float] = {}
    words = words_in(text, folding)
    for feature in (*words, *(one + PAIRED + other for one, other in zip(words, words[1:], strict=False))):
        counts[feature] = counts.get(feature, 0.0) + 1.0
    return counts


def is_pair(feature: str) -> bool:
    return PAIRED in feature


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


def hashes(features: Iterable[str]) -> npt.NDArray[np.uint64]:
    """The hashes of several features, in order."""
    return np.array([hashed(feature) for feature in features], dtype=np.uint64)


def idf(document_frequency: npt.ArrayLike, documents: int) -> FloatArray:
    """ln(1 + (N − df + ½)/(df + ½)): how telling a feature is; never negative."""
    df = np.asarray(document_frequency, dtype=np.float64)
    return np.log1p((documents - df + 0.5) / (df + 0.5))


def saturated(tf: npt.NDArray[Any], length: npt.NDArray[Any], mean_length: float, k1: float = K1) -> FloatArray:
    """BM25's tf part, in [0, k1 + 1): tf·(k1+1) / (tf + k1·(1 − b + b·length/mean))."""
    tf = np.asarray(tf, dtype=np.float64)
    scale = k1 * (1 - B + B * np.asarray(length, dtype=np.float64) / max(mean_length, 1e-9))
    return tf * (k1 + 1) / (tf + scale)


def cosine(one: Mapping[str, float], other: Mapping[str, float]) -> float:
    """Cosine of two sparse vectors, in [0, 1] for non-negative ones; 0 where one of them is empty."""
    if len(one) > len(other):
        one, other = other, one
    dot = sum(value * other.get(key, 0.0) for key, value in one.items())
    norm = float(np.sqrt(sum(v * v for v in one.values()) * sum(v * v for v in other.values())))
    return dot / norm if norm else 0.0
