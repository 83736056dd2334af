"""What a clause most likely means, learned from examples of how such things are said.

Naive Bayes over tf-idf weights of unit length (multinomial model: Manning, Raghavan & Schütze 2008, Introduction to
Information Retrieval, ch. 13; the weights as in Rennie et al. 2003). The examples are invented and lie in
`trade/data` as plain text, so that anybody can add to them. It is a guess by likeness, and its user says so.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from itertools import chain, pairwise
from math import log, sqrt
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from casebase.retrieve.text import stem
from casebase.trade.words import plain

FloatArray = npt.NDArray[np.float64]

SMOOTHING = 0.2  # Lidstone's; chosen on examples held back
OTHER = "none"
_NEAR = 6  # telling words closer than this make a pair
_PLAIN = frozenset("^ $ 0 the a an it i was of and to in on that my is had so with for at as then".split())
_WORD = re.compile(r"[a-z']+|\d[\d.,/]*")


class Guess(NamedTuple):
    """The likeliest meaning of a clause and its chance in [0, 1]; `OTHER` for a clause that says nothing of the kind."""

    label: str
    chance: float


class Sayings:
    """What clauses of known meaning taught, all meanings equally likely before a word is heard.

    `arrays`: `idf` and `starts` by feature, `meaning` and `gains` by feature and meaning, `base` by meaning.
    """

    def __init__(self, labels: Iterable[str], features: Iterable[str], arrays: Mapping[str, npt.NDArray[Any]]) -> None:
        self.labels, self.arrays = tuple(labels), dict(arrays)
        self.numbers = {label: number for number, label in enumerate(self.labels)}
        self.features = tuple(features)
        self._ids = {feature: number for number, feature in enumerate(self.features)}
        self._idf, self._starts = arrays["idf"], arrays["starts"]
        self._meaning, self._gains, self._base = arrays["meaning"], arrays["gains"], arrays["base"]

    @classmethod
    def learn(cls, examples: Mapping[str, Sequence[str]], *, smoothing: float = SMOOTHING) -> Sayings:
        """Learns from clauses by what they mean. `smoothing` is Lidstone's: the more, the less a single word decides."""
        labels = tuple(examples)
        met = [features(clause) for label in labels for clause in examples[label]]
        often = Counter(chain.from_iterable(met))
        ids = {word: number for number, word in enumerate(word for word, count in often.items() if count > 1)}  # said once it teaches nothing
        found = [[ids[word] for word in words if word in ids] for words in met]
        lengths = np.array([len(words) for words in found])
        columns = np.fromiter(chain.from_iterable(found), np.int64, lengths.sum())
        means = np.repeat(np.repeat(np.arange(len(labels)), [len(examples[label]) for label in labels]), lengths)
        idf = np.log((1 + len(found)) / (1 + np.bincount(columns, minlength=len(ids)))) + 1
        weights = idf[columns]
        weights /= np.repeat(np.sqrt(np.add.reduceat(weights * weights, np.cumsum(lengths) - lengths)), lengths)
        cells, inverse = np.unique(columns * len(labels) + means, return_inverse=True)
        return cls(labels, ids, {
            "idf": idf, "starts": np.searchsorted(cells, np.arange(len(ids) + 1) * len(labels)), "meaning": cells % len(labels),
            "gains": np.log1p(np.bincount(inverse, weights) / smoothing),
            "base": log(smoothing) - np.log(smoothing * len(ids) + np.bincount(means, weights, len(labels)))})

    def chances(self, clause: str) -> FloatArray:
        """The chance of each of `labels` for a clause; they sum to 1."""
        known = [self._ids[feature] for feature in features(clause) if feature in self._ids]
        weights = self._idf[known]
        weights /= sqrt(float(weights @ weights)) or 1.0
        score: FloatArray = self._base * weights.sum()
        for number, weight in zip(known, weights, strict=True):
            here = slice(self._starts[number], self._starts[number + 1])
            score[self._meaning[here]] += weight * self._gains[here]
        powers = np.exp(score - score.max())
        return np.asarray(powers / powers.sum())

    def guess(self, clause: str) -> Guess:
        """The likeliest meaning of a clause."""
        chances = self.chances(clause)
        best = int(chances.argmax())
        return Guess(self.labels[best], float(chances[best]))


def features(clause: str) -> frozenset[str]:
    """Stems, neighbours, and pairs of telling words near each other; the ends of the clause count, figures are all alike."""
    words = ["^", *("0" if word[0].isdigit() else stem(word) for word in _WORD.findall(plain(clause).replace("n't", " not"))), "$"]
    telling = [word for word in words if word not in _PLAIN]
    near = (" & ".join(sorted(pair)) for place, one in enumerate(telling) for pair in ((one, other) for other in telling[place + 1: place + _NEAR]))
    return frozenset((*words, *(f"{one} {other}" for one, other in pairwise(words)), *near))


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
