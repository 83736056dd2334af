"""Scores of all cases for the words of a question; see `text` for the weighting."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from casebase.retrieve.digest import COMPLAINT
from casebase.retrieve.index import Index
from casebase.retrieve.text import (
    FED_TERMS,
    FED_TEXTS,
    FEEDBACK,
    K1,
    PAIR,
    hashed,
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
    scorer = _Scorer(index, usual_tf)
    singles = {feature: count for feature, count in words.items() if not is_pair(feature)}
    length = sum(singles.values())
    if not length or not index.size:
        return np.zeros(len(index.alive))
    for feature, count in words.items():
        scorer.add(hashed(feature), count / length * (PAIR if is_pair(feature) else 1.0), single=not is_pair(feature))
    eligible = index.alive if allowed is None else index.alive & allowed
    best = _best(np.where(eligible, scorer.scores, 0.0), FED_TEXTS, index)
    if len(best) and feedback:
        fed = scorer.common_words(best)
        scorer.scale(1 - feedback)
        for word, weight in fed:
            scorer.add(word, feedback * weight)
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


class _Scorer:
    """Adds up the weight of features over all cases; `most` is what a case is expected to reach."""

    def __init__(self, index: Index, usual_tf: float) -> None:
        self.index = index
        self.scores = np.zeros(len(index.alive))
        self.most = 0.0
        self.lengths = index.column("length")
        self.mean = float(self.lengths[index.alive].mean()) if index.size else 1.0
        self.full = usual_tf * (K1 + 1) / (usual_tf + K1)
        self._importance: dict[int, float] = {}

    def importance(self, feature: int) -> float:
        """The idf of a feature over the cases that count."""
        if feature not in self._importance:
            self._importance[feature] = float(idf(self.index.frequency(feature), self.index.size))
        return self._importance[feature]

    def add(self, feature: int, weight: float, *, single: bool = True) -> None:
        """Adds `weight` times a feature's impact to the cases that have it."""
        importance = weight * self.importance(feature)
        if single:
            self.most += importance * self.full
        for offset, segment in zip(self.index.offsets, self.index.segments, strict=True):
            found = segment.postings(feature)
            cases = segment["post_case"][found].astype(np.int64) + offset
            self.scores[cases] += importance * saturated(segment["post_tf"][found], self.lengths[cases], self.mean)

    def scale(self, factor: float) -> None:
        self.scores *= factor
        self.most *= factor

    def common_words(self, positions: npt.NDArray[np.int64]) -> list[tuple[int, float]]:
        """The heaviest words of some cases with weights that sum to 1; each case's words form a unit vector."""
        shares = self.scores[positions] / self.scores[positions].sum()
        mass: dict[int, float] = {}
        for position, share in zip(positions, shares, strict=True):
            words, impacts = self._impacts(int(position))
            norm = float(np.sqrt((impacts ** 2).sum())) or 1.0
            for word, impact in zip(words.tolist(), impacts.tolist(), strict=True):
                mass[word] = mass.get(word, 0.0) + float(share) * impact / norm
        heaviest = sorted(mass.items(), key=lambda item: (-item[1], item[0]))[:FED_TERMS]
        total = sum(weight for _word, weight in heaviest) or 1.0
        return [(word, weight / total) for word, weight in heaviest]

    def _impacts(self, position: int) -> tuple[npt.NDArray[Any], FloatArray]:
        segment, place = self.index.locate(position)
        words, tf = segment.row("words", place), segment["words_tf"]
        at = segment["words_at"]
        weights = np.array([self.importance(int(word)) for word in words])
        length = np.full(len(words), self.lengths[position])
        return words, weights * saturated(tf[at[place]: at[place + 1]], length, self.mean)
