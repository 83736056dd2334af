"""The learned part: the chance of each recorded cause, given a question's words and machine.

A linear support vector machine per cause (one against the rest) over TF-IDF of words, word pairs and character
n-grams, its margins turned to chances by a softmax. It is fitted with scikit-learn when the index is built; a
question needs only the arrays kept here. With few labelled cases it says nothing, and it never speaks of causes
that were found fewer than MIN_PER_CAUSE times.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from casebase.retrieve.store import Arrays
from casebase.retrieve.text import hashed, stem
from casebase.trade.words import tokens

FloatArray = npt.NDArray[np.float64]

MIN_CASES, MIN_PER_CAUSE = 30, 1
NGRAMS = range(2, 6)
# Chosen by measurement (DEVELOPERS.md): how strongly the fit is regularised, from how many cases on a cause is
# not helped any more, and the sharpness of the softmax.
PENALTY, HELPED_BELOW, TEMPERATURE = 0.2, 100.0, 0.3
# The weight of this part grows with the labelled cases: n / (n + HALF_WEIGHT).
HALF_WEIGHT = 150.0


class Learned(NamedTuple):
    """A fitted model. `features` (F,) are sorted hashes, `idf` (F,), `block` (F,) 0 for words and 1 for
    characters (each block is scaled to length 1 by itself), `coefficients` (F, C), `intercepts` (C,)."""

    features: npt.NDArray[np.uint64]
    idf: npt.NDArray[np.float32]
    block: npt.NDArray[np.uint8]
    coefficients: npt.NDArray[np.float32]
    intercepts: npt.NDArray[np.float32]
    causes: tuple[str, ...]
    labelled: int

    @property
    def trust(self) -> float:
        """How much of its full weight the model has earned, in [0, 1)."""
        return self.labelled / (self.labelled + HALF_WEIGHT)

    def chances(self, text: str, attributes: Iterable[str] = ()) -> FloatArray:
        """P(cause) for each of `causes`, summing to 1."""
        counts = learned_features(text, attributes)
        hashes = np.array([hashed(feature) for feature in counts], dtype=np.uint64)
        places = np.searchsorted(self.features, hashes)
        places = np.minimum(places, len(self.features) - 1)
        known = self.features[places] == hashes
        rows = places[known]
        weights = (1 + np.log(np.array(list(counts.values()))[known])) * self.idf[rows]
        for block in (0, 1):
            mine = self.block[rows] == block
            norm = np.sqrt((weights[mine] ** 2).sum())
            weights[mine] /= norm if norm > 0 else 1.0
        return softmax(weights @ self.coefficients[rows] + self.intercepts)

    def arrays(self) -> Arrays:
        return {f"learned_{name}": getattr(self, name) for name in ARRAYS}


ARRAYS = ("features", "idf", "block", "coefficients", "intercepts")


def from_arrays(arrays: Arrays, causes: Sequence[str], labelled: int) -> Learned | None:
    """The model in a store, None where there is none."""
    if not causes:
        return None
    return Learned(arrays["learned_features"], arrays["learned_idf"], arrays["learned_block"],
                   arrays["learned_coefficients"], arrays["learned_intercepts"], tuple(causes), labelled)


def softmax(margins: npt.ArrayLike) -> FloatArray:
    scaled = np.asarray(margins, dtype=np.float64) / TEMPERATURE
    powers = np.exp(scaled - scaled.max())
    return np.asarray(powers / powers.sum())


def learned_features(text: str, attributes: Iterable[str] = ()) -> dict[str, float]:
    """Counts of stems, pairs of stems, character n-grams within words ("#...") and attributes ("=...")."""
    words = [token.text for token in tokens(text) if not token.is_break]
    stems = [stem(word) for word in words]
    counts: dict[str, float] = {}
    for feature in (*stems, *(f"{a} {b}" for a, b in zip(stems, stems[1:], strict=False)),
                    *(f"={attribute}" for attribute in attributes if attribute)):
        counts[feature] = counts.get(feature, 0.0) + 1.0
    for word in words:
        padded = f" {word} "
        for size in NGRAMS:
            for start in range(max(1, len(padded) - size + 1)):
                gram = "#" + padded[start: start + size]
                counts[gram] = counts.get(gram, 0.0) + 1.0
    return counts


class Sample(NamedTuple):
    """One labelled text with the attributes of its machine."""

    text: str
    attributes: tuple[str, ...]
    cause: str


def fit(samples: Sequence[Sample]) -> Learned | None:
    """Fits the model; None where there is too little to learn from. Deterministic."""
    number = {cause: sum(sample.cause == cause for sample in samples) for cause in {s.cause for s in samples}}
    kept = [sample for sample in samples if number[sample.cause] >= MIN_PER_CAUSE]
    causes = tuple(sorted({sample.cause for sample in kept}))
    if len(kept) < MIN_CASES or len(causes) < 2:
        return None
    columns: dict[str, int] = {}
    rows = [learned_features(sample.text, sample.attributes) for sample in kept]
    matrix, idf, block = _matrix(rows, columns)
    labels = np.array([causes.index(sample.cause) for sample in kept])
    coefficients, intercepts = _support_vectors(matrix, labels, len(causes))
    hashes = np.array([hashed(feature) for feature in columns], dtype=np.uint64)
    order = np.argsort(hashes)
    return Learned(hashes[order], idf[order].astype(np.float32), block[order], coefficients[order].astype(np.float32),
                   intercepts.astype(np.float32), causes, len(kept))


def _matrix(rows: Sequence[dict[str, float]], columns: dict[str, int]) -> tuple[Any, FloatArray, npt.NDArray[np.uint8]]:
    """Sublinear TF-IDF, each block of each row scaled to length 1; fills `columns`."""
    import scipy.sparse as sparse

    starts, places, values = [0], [], []
    for row in rows:
        for feature, count in row.items():
            places.append(columns.setdefault(feature, len(columns)))
            values.append(count)
        starts.append(len(places))
    column, owner = np.array(places), np.repeat(np.arange(len(rows)), np.diff(starts))
    frequency = np.bincount(column, minlength=len(columns))
    idf = np.log((1 + len(rows)) / (1 + frequency)) + 1
    block = np.array([feature.startswith("#") for feature in columns], dtype=np.uint8)
    weights = (1 + np.log(np.array(values))) * idf[column]
    group = owner * 2 + block[column]
    norms = np.sqrt(np.bincount(group, weights=weights ** 2, minlength=2 * len(rows)))
    weights /= np.where(norms > 0, norms, 1.0)[group]
    return sparse.csr_matrix((weights, column, starts), shape=(len(rows), len(columns))), idf, block


def _support_vectors(matrix: Any, labels: npt.NDArray[np.int64], causes: int) -> tuple[FloatArray, FloatArray]:
    """(features, causes) coefficients and (causes,) intercepts, rare causes weighted up."""
    from sklearn.svm import LinearSVC

    number = np.bincount(labels, minlength=causes)
    weight = np.maximum(1.0, HELPED_BELOW / number) ** 0.5
    machine = LinearSVC(C=PENALTY, dual=True, random_state=0, max_iter=3000)
    machine.fit(matrix, labels, sample_weight=weight[labels])
    coefficients, intercepts = machine.coef_.T, machine.intercept_
    if causes == 2:  # scikit-learn keeps one column for two classes
        return np.hstack([-coefficients, coefficients]), np.concatenate([-intercepts, intercepts])
    return np.asarray(coefficients), np.asarray(intercepts)
