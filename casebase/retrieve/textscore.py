"""Scores of all cases for the words of a question; see `text` for the weighting."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from casebase.retrieve.digest import COMPLAINT
from casebase.retrieve.index import Index
from casebase.retrieve.segment import Segment
from casebase.retrieve.text import (
    FED_TERMS,
    FED_TEXTS,
    FEEDBACK,
    K1,
    PAIR,
    hashed,
    hashes,
    idf,
    is_pair,
    saturated,
)

FloatArray = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


def text_scores(words: dict[str, float], index: Index, allowed: Mask | None = None, *,
                usual_tf: float = COMPLAINT, feedback: float = FEEDBACK) -> FloatArray:
    """How much of what the words say each case says too, in [0, 1], by position.

    Parameters: `words`, features with their counts; `allowed`, a mask of positions that may take part in
    feedback (all that count, if not given); `usual_tf`, the weight of a word that stands once where it matters,
    by which the most a case is expected to reach is reckoned; `feedback`, the share of the score that comes from
    the words of the best first cases.
    """
    length = sum(count for feature, count in words.items() if not is_pair(feature))
    if not length or not index.size:
        return np.zeros(len(index.alive))
    scorer = _Scorer(index, usual_tf)
    for (feature, count), importance in zip(words.items(), scorer.importance(hashes(words)).tolist(), strict=True):
        weight = count / length * (PAIR if is_pair(feature) else 1.0)
        scorer.add(hashed(feature), weight * importance, single=not is_pair(feature))
    eligible = index.alive if allowed is None else index.alive & allowed
    best = _best(np.where(eligible, scorer.scores, 0.0), FED_TEXTS, index)
    if len(best) and feedback:
        fed, shares = scorer.common_words(best)
        scorer.scale(1 - feedback)
        for word, weight in zip(fed.tolist(), (feedback * shares * scorer.importance(fed)).tolist(), strict=True):
            scorer.add(word, weight)
    return np.minimum(1.0, scorer.scores / scorer.most) if scorer.most else scorer.scores


def _best(scores: FloatArray, count: int, index: Index) -> npt.NDArray[np.int64]:
    """Positions of the highest positive scores, best first, ties by case id, so that no file order counts."""
    found = np.flatnonzero(scores > 0)
    if len(found) <= count:
        return found[np.argsort(-scores[found], kind="stable")]
    least = np.partition(scores[found], -count)[-count]
    above, tied = found[scores[found] > least], found[scores[found] == least].tolist()
    best = [*above[np.argsort(-scores[above], kind="stable")].tolist(), *sorted(tied, key=index.id)]
    return np.array(best[:count], dtype=np.int64)


class _Impacts:
    """How much a feature counts in each case that has it, worked out when it is first met and kept with the index."""

    def __init__(self, index: Index) -> None:
        self.index = index
        self.lengths = index.column("length")
        self.mean = float(self.lengths[index.alive].mean()) if index.size else 1.0
        self._known: dict[int, list[tuple[npt.NDArray[np.int64], FloatArray]]] = {}

    def of(self, feature: int) -> list[tuple[npt.NDArray[np.int64], FloatArray]]:
        """The positions of cases and the impacts there, segment by segment."""
        found = self._known.get(feature)
        if found is None:
            found = [self._within(segment, offset, feature)
                     for segment, offset in zip(self.index.segments, self.index.offsets, strict=True)]
            self._known[feature] = found
        return found

    def _within(self, segment: Segment, offset: int, feature: int) -> tuple[npt.NDArray[np.int64], FloatArray]:
        rows = segment.postings(feature)
        cases = segment["post_case"][rows].astype(np.int64) + offset
        return cases, saturated(segment["post_tf"][rows], self.lengths[cases], self.mean)


class _Scorer:
    """Adds up the weight of features over all cases; `most` is what a case is expected to reach."""

    def __init__(self, index: Index, usual_tf: float) -> None:
        self.index = index
        self.impacts = index.once(_Impacts)
        self.scores = np.zeros(len(index.alive))
        self.most = 0.0
        self.full = usual_tf * (K1 + 1) / (usual_tf + K1)

    def importance(self, features: npt.NDArray[np.uint64]) -> FloatArray:
        """The idf of features over the cases that count."""
        return idf(self.index.frequencies(features), self.index.size)

    def add(self, feature: int, importance: float, *, single: bool = True) -> None:
        """Adds `importance` times a feature's impact to the cases that have it."""
        if single:
            self.most += importance * self.full
        for cases, impact in self.impacts.of(feature):
            self.scores[cases] += importance * impact

    def scale(self, factor: float) -> None:
        self.scores *= factor
        self.most *= factor

    def common_words(self, positions: npt.NDArray[np.int64]) -> tuple[npt.NDArray[np.uint64], FloatArray]:
        """The heaviest words of some cases with weights that sum to 1; each case's words form a unit vector."""
        shares = self.scores[positions] / self.scores[positions].sum()
        mass: dict[int, float] = {}
        for position, share in zip(positions.tolist(), shares.tolist(), strict=True):
            words, impacts = self._impacts(position)
            norm = float(np.sqrt((impacts ** 2).sum())) or 1.0
            for word, impact in zip(words.tolist(), impacts.tolist(), strict=True):
                mass[word] = mass.get(word, 0.0) + share * impact / norm
        heaviest = sorted(mass.items(), key=lambda item: (-item[1], item[0]))[:FED_TERMS]
        total = sum(weight for _word, weight in heaviest) or 1.0
        return (np.array([word for word, _weight in heaviest], dtype=np.uint64),
                np.array([weight / total for _word, weight in heaviest]))

    def _impacts(self, position: int) -> tuple[npt.NDArray[Any], FloatArray]:
        segment, place = self.index.locate(position)
        words = segment.row("words", place)
        tf = segment["words_tf"][segment["words_at"][place]: segment["words_at"][place + 1]]
        length = np.full(len(words), self.impacts.lengths[position])
        return words, self.importance(words) * saturated(tf, length, self.impacts.mean)
