"""What a clause most likely means, learned from examples of how such things are said.

Naive Bayes over tf-idf weights of unit length (multinomial model: Manning, Raghavan & Schütze 2008, Introduction to
Information Retrieval, ch. 13; the weights as in Rennie et al. 2003). The examples are invented and lie in
`trade/data` as plain text, so that anybody can add to them. It is a guess by likeness, and its user says so.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import lru_cache
from itertools import chain
from math import log, sqrt
from pathlib import Path
from typing import Any, NamedTuple
from zlib import crc32

import numpy as np
import numpy.typing as npt

from casebase.retrieve.text import stem
from casebase.trade.words import plain

FloatArray = npt.NDArray[np.float64]
_Codes = npt.NDArray[np.uint64]

SMOOTHING = 0.2  # Lidstone's; chosen on examples held back
OTHER = "none"
_NEAR = 6  # telling words closer than this make a pair
_NEXT, _BESIDE = np.uint64(0x9E3779B1), np.uint64(0x85EBCA6B)  # odd, so that pairs get numbers of their own
_SIZE = np.uint64(1 << 32)
_PLAIN = frozenset("^ $ 0 the a an it i was of and to in on that my is had so with for at as then".split())
_WORD = re.compile(r"[a-z']+|\d[\d.,/]*")


class Guess(NamedTuple):
    """The likeliest meaning of a clause and its chance in [0, 1]; `OTHER` for a clause that says nothing of the kind."""

    label: str
    chance: float


class Sayings:
    """What clauses of known meaning taught, all meanings equally likely before a word is heard.

    `arrays`: `words` and the `stems` they have, as numbers, `codes` of the features in ascending order, `idf` and `starts` by feature, `meaning` and `gains` by feature and
    meaning, `base` by meaning. A feature is a 32-bit number, so that none need be read to be found.
    """

    def __init__(self, labels: Iterable[str], arrays: Mapping[str, npt.NDArray[Any]]) -> None:
        self.labels, self.arrays = tuple(labels), dict(arrays)
        self.numbers = {label: number for number, label in enumerate(self.labels)}
        self._words, self._stems = arrays["words"], arrays["stems"]
        self._codes, self._idf, self._starts = arrays["codes"], arrays["idf"], arrays["starts"]
        self._meaning, self._gains, self._base = arrays["meaning"], arrays["gains"], arrays["base"]

    @classmethod
    def learn(cls, examples: Mapping[str, Sequence[str]], *, smoothing: float = SMOOTHING) -> Sayings:
        """Learns from clauses by what they mean. `smoothing` is Lidstone's: the more, the less a single word decides."""
        labels = tuple(examples)
        words = [_words(clause) for label in labels for clause in examples[label]]
        every, lengths = _features(words, _code)
        met = np.sort(every)
        codes = _distinct(met[1:][met[1:] == met[:-1]])  # said once it teaches nothing
        of_clause, of_meaning = (np.repeat(numbers, lengths) for numbers in (
            np.arange(len(lengths)), np.repeat(np.arange(len(labels)), [len(examples[label]) for label in labels])))
        columns = np.searchsorted(codes, every)
        known = (columns < len(codes)) & (codes[np.minimum(columns, len(codes) - 1)] == every) if len(codes) else np.zeros(0, bool)
        columns, of_clause, of_meaning = columns[known], of_clause[known], of_meaning[known]
        idf = np.log((1 + len(lengths)) / (1 + np.bincount(columns, minlength=len(codes)))) + 1
        weights = idf[columns]
        weights = weights / np.sqrt(np.bincount(of_clause, weights * weights, len(lengths)))[of_clause]
        cells, inverse = np.unique(columns * len(labels) + of_meaning, return_inverse=True)
        known_words = sorted((crc32(word.encode()), _code(word)) for word in set(chain.from_iterable(words)))
        return cls(labels, {
            "words": np.array([word for word, _stem in known_words], np.uint32), "stems": np.array([stem_ for _word, stem_ in known_words], np.uint32), "codes": codes, "idf": idf, "starts": np.searchsorted(cells, np.arange(len(codes) + 1) * len(labels)), "meaning": (cells % len(labels)).astype(np.int16),
            "gains": np.log1p(np.bincount(inverse, weights) / smoothing).astype(np.float32),
            "base": log(smoothing) - np.log(smoothing * len(codes) + np.bincount(of_meaning, weights, len(labels)))})

    @property
    def learned(self) -> tuple[dict[str, npt.NDArray[Any]], tuple[str, ...]]:
        """All there is to keep: arrays and labels."""
        return self.arrays, self.labels

    def chances(self, clause: str) -> FloatArray:
        """The chance of each of `labels` for a clause; they sum to 1."""
        codes = features(clause, self._code)
        places = np.minimum(np.searchsorted(self._codes, codes), len(self._codes) - 1)
        known = places[self._codes[places] == codes] if len(self._codes) else places[:0]
        weights = self._idf[known]
        weights = weights / (sqrt(float(weights @ weights)) or 1.0)
        first, counts = self._starts[known], self._starts[known + 1] - self._starts[known]
        cells = np.arange(counts.sum()) + np.repeat(first - np.cumsum(counts) + counts, counts)  # of every feature its own, in a row
        gains = np.bincount(self._meaning[cells], np.repeat(weights, counts) * self._gains[cells], len(self.labels))
        score: FloatArray = self._base * weights.sum() + gains
        powers = np.exp(score - score.max())
        return np.asarray(powers / powers.sum())

    def _code(self, word: str) -> int:
        """The number of a word's stem; the stemmer, which takes its time to load, is only asked for words not met before."""
        number = np.uint32(crc32(word.encode()))
        place = int(self._words.searchsorted(number))
        return int(self._stems[place]) if place < len(self._words) and self._words[place] == number else _code(word)

    def guess(self, clause: str) -> Guess:
        """The likeliest meaning of a clause."""
        chances = self.chances(clause)
        best = int(chances.argmax())
        return Guess(self.labels[best], float(chances[best]))


def features(clause: str, code: Callable[[str], int] | None = None) -> npt.NDArray[np.uint32]:
    """The features of a clause as 32-bit numbers, each once: stems, neighbours, and pairs of telling words near each other in
    either order; the ends of the clause count, figures are all alike. `code` gives the number of a word's stem."""
    return _features([_words(clause)], code or _code)[0]


def _features(words: Sequence[Sequence[str]], code: Callable[[str], int]) -> tuple[npt.NDArray[np.uint32], npt.NDArray[np.int64]]:
    """The features of clauses, one clause after the other, and how many each has."""
    lengths = np.fromiter(map(len, words), np.int64, len(words))
    codes = np.fromiter(map(code, chain.from_iterable(words)), np.uint64, int(lengths.sum()))
    of = np.repeat(np.arange(len(words), dtype=np.uint64), lengths)  # the clause of each word
    telling = _PLAIN_CODES[np.minimum(np.searchsorted(_PLAIN_CODES, codes), len(_PLAIN_CODES) - 1)] != codes
    told, of_told = codes[telling], of[telling]
    found = [(of, codes), _beside(of, codes, 1, lambda one, other: one * _NEXT + other)]
    found += [_beside(of_told, told, apart, lambda one, other: np.minimum(one, other) * _BESIDE + np.maximum(one, other)) for apart in range(1, _NEAR)]
    every = _distinct(np.sort(np.concatenate([clause * _SIZE + one % _SIZE for clause, one in found])))
    return (every % _SIZE).astype(np.uint32), np.bincount((every // _SIZE).astype(np.int64), minlength=len(words))


def _distinct(ordered: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Each of the numbers once; they are in order. (`np.unique` hashes first, which takes ten times as long.)"""
    return ordered[np.diff(ordered, prepend=ordered[:1] - 1) != 0] if len(ordered) else ordered


def _beside(of: _Codes, codes: _Codes, apart: int, pair: Callable[[_Codes, _Codes], _Codes]) -> tuple[_Codes, _Codes]:
    """The clauses and the numbers of pairs of words so far apart in one clause."""
    same = of[:-apart] == of[apart:]
    return of[:-apart][same], pair(codes[:-apart][same], codes[apart:][same])


def _words(clause: str) -> list[str]:
    return ["^", *("0" if word[0].isdigit() else word for word in _WORD.findall(plain(clause).replace("n't", " not"))), "$"]


@lru_cache(maxsize=100_000)
def _code(word: str) -> int:
    """The number of a word's stem."""
    return crc32((stem(word) if word.isalpha() or "'" in word else word).encode())


_PLAIN_CODES = np.sort(np.array([crc32(stem_.encode()) for stem_ in _PLAIN], np.uint64))  # looked up by place, since `np.isin` first loads masked arrays


def read_examples(path: Path) -> dict[str, list[str]]:
    """Examples from plain text: a line "= label" and below it a clause on each line; "#" begins a remark."""
    found: dict[str, list[str]] = {}
    clauses: list[str] = []
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("= "):
            clauses = found.setdefault(line[2:].strip(), [])
        elif line.strip() and not line.startswith("#"):
            clauses.append(line.strip())
    return found
