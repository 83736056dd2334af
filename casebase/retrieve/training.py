"""Fits the learned part from cases, and predicts for cases as if they had never been seen.

Causes: one linear machine each against the rest (squared hinge loss), rare causes weighted up, margins turned to
chances by a softmax whose temperature has the least cross-fitted log loss. The end of a job: logistic regression.
Everything is deterministic: folds are dealt by a hash of the text, so identical texts share one and the order of
the cases does not matter. The constants were chosen by measurement; DEVELOPERS.md has the table.
"""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import scipy.sparse as sparse

from casebase.retrieve.learned import (
    ATTRIBUTE,
    ATTRIBUTE_WEIGHT,
    LEAST_LABELLED,
    LETTER,
    WORD,
    Learned,
    block_of,
    learned_features,
    softmax,
)
from casebase.retrieve.text import hashed, stem

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

CAUSE_C, RARE, RARE_POWER = 0.2, 100.0, 0.8
FIXED_C = 0.5
FOLDS, FEW_FOLDS = 200, 5
TEMPERATURES = (0.1, 0.14, 0.2, 0.28, 0.4, 0.57, 0.8)
USUAL_TEMPERATURE = 0.28
SHARPNESS = (0.4, 0.6, 0.8, 1.0, 1.2, 1.4, 1.7)
# More texts tell the temperature no better.
TEMPERATURE_TEXTS = 2_000
# The most numbers a stored model has; of more the rarest features are left out.
MOST_NUMBERS = 4_000_000

Rounds = Callable[[Iterable[Any], int], Iterable[Any]]


class Sample(NamedTuple):
    """What one case teaches: its words (see `text.said`), its machine, its cause ("" unknown) and its end."""

    words: str
    attributes: tuple[str, ...]
    cause: str = ""
    fixed: bool | None = None


class _Counted(NamedTuple):
    """Counts (samples, features) with the names of the features and their blocks."""

    matrix: Any
    names: tuple[str, ...]
    block: npt.NDArray[np.uint8]


def folds_of(texts: Sequence[str], folds: int) -> IntArray:
    """The fold of each text: distinct texts, in the order of their hash, are dealt out in turn."""
    order = sorted(set(texts), key=lambda text: hashlib.sha256(text.encode()).digest())
    place = {text: number % folds for number, text in enumerate(order)}
    return np.array([place[text] for text in texts], dtype=np.int64)


def fit(samples: Sequence[Sample]) -> Learned | None:
    """The models of all samples; None where there is too little to learn from.

    A case with several causes is a sample for each; the order of the samples does not matter.
    """
    samples = sorted(samples, key=lambda sample: (sample.words, sample.cause, sample.attributes, str(sample.fixed)))
    causes = sorted({sample.cause for sample in samples if sample.cause})
    labels = _labels(samples, causes)
    ends = _ends(samples)
    enough = int((labels >= 0).sum()) >= LEAST_LABELLED and len(causes) > 1
    if not enough and not _enough_ends(ends):
        return None
    counted = _count(samples)
    if not enough:
        causes, labels = [], np.full(len(samples), -1, dtype=np.int64)
    counted = _most_common(counted, len(causes) + 1)
    idf = _idf(counted.matrix, counted.block)
    features = _weighted(counted, idf)
    known = np.flatnonzero(labels >= 0)
    coefficients = np.zeros((len(counted.names), len(causes)))
    intercepts = np.zeros(len(causes))
    if enough:
        _seen, coefficients, intercepts = _machines(features[known], labels[known])
    hashes = np.array([hashed(name) for name in counted.names], dtype=np.uint64)
    order = np.argsort(hashes)
    fixed = _fixed_model(features, ends)
    if len(fixed):
        groups = [sample.words for sample in samples]
        fixed = fixed[[*order.tolist(), len(order)]] * _sharpness(_cross_odds(counted, ends, groups, FEW_FOLDS), ends)
    return Learned(hashes[order], idf[order].astype(np.float32), counted.block[order],
                   coefficients[order].astype(np.float32), intercepts.astype(np.float32), fixed.astype(np.float32),
                   tuple(causes), _temperature(samples, causes, labels) if enough else USUAL_TEMPERATURE, len(known),
                   {word: stem(word) for sample in samples for word in sample.words.split() if stem(word)})


class CrossFitted(NamedTuple):
    """For each sample, what models that never saw its text say: `chances` (samples, causes), `fixed` (samples,)."""

    causes: tuple[str, ...]
    chances: FloatArray
    fixed: FloatArray


def cross_fit(samples: Sequence[Sample], groups: Sequence[str], folds: int = FOLDS,
              progress: Rounds | None = None) -> CrossFitted:
    """Predicts every sample from the others: samples of one group (such as identical texts) share a fold.

    A sample without a cause or end is predicted too. Where the training folds know fewer than two causes all
    causes are equally likely; where they know one end only, its share is the chance.
    """
    causes = sorted({sample.cause for sample in samples if sample.cause})
    labels, ends, counted = _labels(samples, causes), _ends(samples), _count(samples)
    margins = _cross_margins(counted, labels, max(1, len(causes)), groups, folds, progress)
    odds = _cross_odds(counted, ends, groups, folds)
    fixed = _logistic(odds * _sharpness(odds, ends))
    return CrossFitted(tuple(causes), softmax(margins, _best_temperature(margins, labels)), fixed)


def _cross_margins(counted: _Counted, labels: IntArray, causes: int, groups: Sequence[str], folds: int,
                   progress: Rounds | None = None) -> FloatArray:
    """Margins (samples, causes) from machines that never saw the sample's group.

    A cause that is missing from the training folds gets -inf: any other margin would give away that its only
    cases are those held out.
    """
    margins = np.full((len(labels), causes), -np.inf)
    splits = list(_splits(groups, folds))
    for held, rest in progress(splits, len(splits)) if progress else splits:
        taught = rest[labels[rest] >= 0]
        if len(np.unique(labels[taught])) < 2:
            margins[held] = 0.0
            continue
        features = _weighted(counted, _idf(counted.matrix[taught], counted.block))
        seen, coefficients, intercepts = _machines(features[taught], labels[taught])
        margins[np.ix_(held, seen)] = features[held] @ coefficients + intercepts
    return margins


def _cross_odds(counted: _Counted, ends: IntArray, groups: Sequence[str], folds: int) -> FloatArray:
    """Log-odds (samples,) of "fixed" from models that never saw the sample's group; the share where one end only."""
    odds = np.zeros(len(ends))
    for held, rest in _splits(groups, folds):
        known = rest[ends[rest] >= 0]
        if not _enough_ends(ends[known]):
            share = (float((ends[known] == 1).sum()) + 1) / (len(known) + 2)
            odds[held] = np.log(share / (1 - share))
            continue
        features = _weighted(counted, _idf(counted.matrix[known], counted.block))
        model = _fixed_model(features[known], ends[known])
        odds[held] = features[held] @ model[:-1] + model[-1]
    return odds


def _sharpness(odds: FloatArray, ends: IntArray) -> float:
    """The factor on log-odds with the least log loss: regularised fits are too timid, small ones too bold."""
    known = ends >= 0
    if not known.any():
        return 1.0
    sign = np.where(ends[known] == 1, 1.0, -1.0)
    loss = [np.log1p(np.exp(-sign * odds[known] * factor)).mean() for factor in SHARPNESS]
    return SHARPNESS[int(np.argmin(loss))]


def _logistic(odds: FloatArray) -> FloatArray:
    return np.asarray(1 / (1 + np.exp(-odds)))


def _labels(samples: Sequence[Sample], causes: Sequence[str]) -> IntArray:
    number = {cause: place for place, cause in enumerate(causes)}
    return np.array([number.get(sample.cause, -1) for sample in samples], dtype=np.int64)


def _ends(samples: Sequence[Sample]) -> IntArray:
    return np.array([-1 if sample.fixed is None else int(sample.fixed) for sample in samples], dtype=np.int64)


def _enough_ends(ends: IntArray) -> bool:
    return int((ends >= 0).sum()) >= LEAST_LABELLED and bool((ends == 0).any()) and bool((ends == 1).any())


def _count(samples: Sequence[Sample]) -> _Counted:
    columns: dict[str, int] = {}
    starts, places, values = [0], list[int](), list[float]()
    for sample in samples:
        for feature, count in learned_features(sample.words, sample.attributes).items():
            places.append(columns.setdefault(feature, len(columns)))
            values.append(count)
        starts.append(len(places))
    matrix = sparse.csr_matrix((np.array(values, dtype=np.float64), places, starts), shape=(len(samples), len(columns)))
    return _Counted(matrix, tuple(columns), np.array([block_of(name) for name in columns], dtype=np.uint8))


def _most_common(counted: _Counted, outputs: int) -> _Counted:
    """Leaves the rarest features out where the model would get too large."""
    most = MOST_NUMBERS // outputs
    if len(counted.names) <= most:
        return counted
    frequency = np.bincount(counted.matrix.indices, minlength=len(counted.names))
    kept = np.sort(np.argsort(-frequency, kind="stable")[:most])
    return _Counted(counted.matrix[:, kept], tuple(counted.names[place] for place in kept), counted.block[kept])


def _idf(matrix: Any, block: npt.NDArray[np.uint8]) -> FloatArray:
    """ln((1 + n) / (1 + df)) + 1, 0 for what the rows do not have; an attribute weighs the same everywhere."""
    frequency = np.bincount(matrix.indices, minlength=matrix.shape[1])
    weights = np.where(frequency > 0, np.log((1 + matrix.shape[0]) / (1 + frequency)) + 1, 0.0)
    return np.where((block == ATTRIBUTE) & (frequency > 0), ATTRIBUTE_WEIGHT, weights)


def _weighted(counted: _Counted, idf: FloatArray) -> Any:
    """Sublinear counts times idf; words and letters of each row scaled to length 1 by themselves."""
    matrix = counted.matrix
    values = (1 + np.log(matrix.data)) * idf[matrix.indices]
    owner = np.repeat(np.arange(matrix.shape[0]), np.diff(matrix.indptr))
    block = counted.block[matrix.indices]
    for number in (WORD, LETTER):
        mine = block == number
        norm = np.sqrt(np.bincount(owner[mine], weights=values[mine] ** 2, minlength=matrix.shape[0]))
        values[mine] /= np.where(norm > 0, norm, 1.0)[owner[mine]]
    return sparse.csr_matrix((values, matrix.indices, matrix.indptr), shape=matrix.shape)


def _machines(features: Any, labels: IntArray) -> tuple[IntArray, FloatArray, FloatArray]:
    """The labels seen, (features, seen) coefficients and (seen,) intercepts, rare causes weighted up."""
    from sklearn.svm import LinearSVC

    number = np.bincount(labels)
    weight = np.maximum(1.0, RARE / np.maximum(number, 1)) ** RARE_POWER
    machine = LinearSVC(C=CAUSE_C, dual=True, random_state=0, tol=0.01, max_iter=3000)
    with warnings.catch_warnings():
        # A small folder may well have more than half as many causes as cases; that is no mistake here.
        warnings.filterwarnings("ignore", message="The number of unique classes", category=UserWarning)
        machine.fit(features, labels, sample_weight=weight[labels])
    coefficients, intercepts = machine.coef_.T, machine.intercept_
    if len(machine.classes_) == 2:  # scikit-learn keeps one column for two classes
        coefficients = np.hstack([-coefficients, coefficients])
        intercepts = np.concatenate([-intercepts, intercepts])
    return machine.classes_, np.asarray(coefficients), np.asarray(intercepts)


def _fixed_model(features: Any, ends: IntArray) -> FloatArray:
    """(features + 1,) coefficients, the intercept last; empty where too few ends are known."""
    from sklearn.linear_model import LogisticRegression

    known = np.flatnonzero(ends >= 0)
    if not _enough_ends(ends):
        return np.zeros(0)
    model = LogisticRegression(C=FIXED_C, max_iter=200)
    model.fit(features[known], ends[known])
    return np.concatenate([model.coef_[0], model.intercept_])


def _temperature(samples: Sequence[Sample], causes: Sequence[str], labels: IntArray) -> float:
    """The temperature of `fit`: cross-fitted in a few folds over at most TEMPERATURE_TEXTS samples."""
    some = [sample for sample, label in zip(samples, labels, strict=True) if label >= 0]
    some = sorted(some, key=lambda sample: hashed(sample.words))[:TEMPERATURE_TEXTS]
    numbers = _labels(some, causes)
    margins = _cross_margins(_count(some), numbers, len(causes), [sample.words for sample in some], FEW_FOLDS)
    return _best_temperature(margins, numbers)


def _splits(groups: Sequence[str], folds: int) -> Iterator[tuple[IntArray, IntArray]]:
    fold = folds_of(groups, folds)
    for number in range(int(fold.max(initial=-1)) + 1):
        yield np.flatnonzero(fold == number), np.flatnonzero(fold != number)


def _best_temperature(margins: FloatArray, labels: IntArray) -> float:
    """The temperature with the least log loss, chances floored at .001; the usual one where nothing tells."""
    known = np.flatnonzero(labels >= 0)
    if not len(known):
        return USUAL_TEMPERATURE
    loss = [-np.log(np.maximum(softmax(margins[known], t)[np.arange(len(known)), labels[known]], 1e-3)).mean()
            for t in TEMPERATURES]
    return TEMPERATURES[int(np.argmin(loss))]
