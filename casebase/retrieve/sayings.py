"""What a clause most likely means, learned from examples of how such things are said.

Naive Bayes over tf-idf weights of unit length (multinomial model: Manning, Raghavan & Schütze 2008, Introduction to
Information Retrieval, ch. 13; the weights as in Rennie et al. 2003). The examples are invented and lie in
`trade/data` as plain text, so that anybody can add to them. It is a guess by likeness, and its user says so.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from math import log, log1p, sqrt
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from casebase.trade import DATA
from casebase.trade.words import plain

FloatArray = npt.NDArray[np.float64]

SMOOTHING = 0.2  # Lidstone's; chosen on examples held back
OTHER = "none"
_WORD = re.compile(r"[a-z']+|\d[\d.,/]*")


class Guess(NamedTuple):
    """The likeliest meaning of a clause and its chance in [0, 1]; `OTHER` for a clause that says nothing of the kind."""

    label: str
    chance: float


class Sayings:
    """Learned from `examples`, clauses by what they mean."""

    def __init__(self, examples: Mapping[str, Sequence[str]]) -> None:
        self.labels = tuple(examples)
        clauses = [(number, features(clause)) for number, label in enumerate(self.labels) for clause in examples[label]]
        counts: dict[str, int] = {}
        for _number, found in clauses:
            for feature in found:
                counts[feature] = counts.get(feature, 0) + 1
        self._idf = {feature: log((1 + len(clauses)) / (1 + count)) + 1 for feature, count in counts.items()}
        mass: dict[str, dict[int, float]] = {feature: {} for feature in counts}
        totals = np.full(len(self.labels), SMOOTHING * len(counts))
        for number, found in clauses:
            for feature, weight in self._weights(found).items():
                mass[feature][number] = mass[feature].get(number, 0.0) + weight
                totals[number] += weight
        self._base = np.log(SMOOTHING) - np.log(totals)
        self._gains = {feature: (np.fromiter(by, dtype=np.int64), np.array([log1p(value / SMOOTHING) for value in by.values()]))
                       for feature, by in mass.items()}

    def _weights(self, found: Iterable[str]) -> dict[str, float]:
        weights = {feature: self._idf[feature] for feature in found if feature in self._idf}
        norm = sqrt(sum(weight * weight for weight in weights.values())) or 1.0
        return {feature: weight / norm for feature, weight in weights.items()}

    def chances(self, clause: str) -> FloatArray:
        """The chance of each of `labels` for a clause, all equally likely before a word was heard; they sum to 1."""
        weights = self._weights(features(clause))
        score: FloatArray = self._base * sum(weights.values())
        for feature, weight in weights.items():
            numbers, gains = self._gains[feature]
            score[numbers] += weight * gains
        powers = np.exp(score - score.max())
        return np.asarray(powers / powers.sum())

    def guess(self, clause: str) -> Guess:
        """The likeliest meaning of a clause."""
        chances = self.chances(clause)
        best = int(chances.argmax())
        return Guess(self.labels[best], float(chances[best]))


def features(clause: str) -> frozenset[str]:
    """Words and pairs of neighbours, with the ends of the clause; figures are all alike."""
    words = ["^", *("0" if word[0].isdigit() else word for word in _WORD.findall(plain(clause).replace("n't", " not"))), "$"]
    return frozenset((*words, *(f"{one} {other}" for one, other in zip(words, words[1:], strict=False))))


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


@cache
def effect_sayings() -> Sayings:
    """What is said of what a repair did: the results of a step, or `OTHER`."""
    return Sayings(read_examples(DATA / "effects.txt"))
