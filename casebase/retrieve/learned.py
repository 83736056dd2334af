"""The learned part: what the shop's own record says of a question, beyond the cases that sound alike.

Two linear models over the same features (words, pairs of words, letters within words, attributes of the machine):
the chance of each recorded cause, and the chance that such a job ends fixed. `training` fits them when the index is
built; a question needs only the arrays kept here. Features are kept as hashes, as in the rest of the index.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from casebase.retrieve.store import Arrays
from casebase.retrieve.text import hashes, stem

FloatArray = npt.NDArray[np.float64]

LETTERS = range(2, 6)
WORD, LETTER, ATTRIBUTE = 0, 1, 2
# Marks of the features that are no words.
MARKS = {"#": LETTER, "=": ATTRIBUTE}
# An attribute's flat weight, beside texts of length 1.
ATTRIBUTE_WEIGHT = 0.5
# With fewer labelled cases the causes are not learned at all; DEVELOPERS.md has the learning curves behind these.
LEAST_LABELLED = 40
HALF_WEIGHT = 25.0


class Taught(NamedTuple):
    """What the record has taught of one question: the chance of each cause, {} where it teaches too little of them, and
    the chance that such a job ends fixed, before neighbours are asked; None where that was not learned.
    """

    chances: Mapping[str, float] = {}
    fixed: float | None = None


class Learned(NamedTuple):
    """The fitted models.

    `features` (F,) are sorted hashes, `idf` (F,) and `block` (F,) how they are weighted. For the causes:
    `coefficients` (F, C), `intercepts` (C,), the names `causes`, the softmax's `temperature`, and how many cases
    (`labelled`) taught it. `stems` holds the stems of the words met in training, because loading the stemmer costs more
    than all else. For the end of a job: `fixed_coefficients` (F + 1,), the intercept last; empty where too
    little is known.
    """

    features: npt.NDArray[np.uint64]
    idf: npt.NDArray[np.float32]
    block: npt.NDArray[np.uint8]
    coefficients: npt.NDArray[np.float32]
    intercepts: npt.NDArray[np.float32]
    fixed_coefficients: npt.NDArray[np.float32]
    causes: tuple[str, ...]
    temperature: float
    labelled: int
    stems: Mapping[str, str] = {}

    @property
    def trust(self) -> float:
        """How much of its full weight the cause model has earned, in [0, 1)."""
        return trust(self.labelled, len(self.causes))

    def taught(self, words: str, attributes: Iterable[str] = ()) -> Taught:
        """What was learned of a text; `words` as `text.said` gives them. The chances of causes sum to 1."""
        rows, weights = self._vector(words, attributes)
        chances, fixed = {}, None
        if self.causes:
            margins = weights @ self.coefficients[rows] + self.intercepts
            chances = dict(zip(self.causes, softmax(margins, self.temperature).tolist(), strict=True))
        if len(self.fixed_coefficients):
            odds = weights @ self.fixed_coefficients[rows] + self.fixed_coefficients[-1]
            fixed = float(1 / (1 + np.exp(-odds)))
        return Taught(chances, fixed)

    def _vector(self, words: str, attributes: Iterable[str]) -> tuple[npt.NDArray[np.int64], FloatArray]:
        """Places in `features` of what is known of a text, and their weights; each block has length 1."""
        counts = learned_features(words, attributes, self.stems)
        asked = hashes(counts)
        places = np.minimum(np.searchsorted(self.features, asked), len(self.features) - 1)
        known = self.features[places] == asked
        rows = places[known]
        weights = (1 + np.log(np.array(list(counts.values()))[known])) * self.idf[rows]
        for block in (WORD, LETTER):
            mine = self.block[rows] == block
            norm = np.sqrt((weights[mine] ** 2).sum())
            weights[mine] /= norm if norm > 0 else 1.0
        return rows, weights

    def stored(self) -> tuple[Arrays, dict[str, Any], dict[str, str]]:
        """Arrays, tables and texts for `store.save`."""
        return ({name: getattr(self, name) for name in _ARRAYS},
                {"causes": list(self.causes), "temperature": self.temperature, "labelled": self.labelled},
                {"stems": " ".join(f"{word} {stemmed}" for word, stemmed in sorted(self.stems.items()))})


_ARRAYS = ("features", "idf", "block", "coefficients", "intercepts", "fixed_coefficients")


def from_store(arrays: Arrays, tables: Mapping[str, Any]) -> Learned:
    """The models as `stored` gave them. Raises `KeyError` where a part is missing."""
    words = tables["texts"]["stems"].split(" ")
    return Learned(**{name: arrays[name] for name in _ARRAYS}, causes=tuple(tables["causes"]),
                   temperature=float(tables["temperature"]), labelled=int(tables["labelled"]),
                   stems=dict(zip(words[::2], words[1::2], strict=True)))


def trust(labelled: int, causes: int) -> float:
    """The share of its full weight that a cause model earns, in [0, 1).

    What counts is how many cases repeat a cause that another case has too: few cases a cause earn little.
    """
    repeated = labelled - causes
    return repeated / (repeated + HALF_WEIGHT) if labelled >= LEAST_LABELLED else 0.0


def softmax(margins: npt.ArrayLike, temperature: float) -> FloatArray:
    """Chances along the last axis; a margin of -inf gives 0."""
    scaled = np.asarray(margins, dtype=np.float64) / temperature
    powers = np.exp(scaled - scaled.max(axis=-1, keepdims=True))
    return np.asarray(powers / powers.sum(axis=-1, keepdims=True))


def learned_features(words: str, attributes: Iterable[str] = (),
                     known: Mapping[str, str] | None = None) -> Counter[str]:
    """Counts of stems, pairs of stems, runs of letters within words ("#...") and attributes ("=...").

    `known` are stems known already. Unlike the text score it keeps the stop words: "not", "off" and "on" tell causes apart.
    """
    found = words.split()
    stems = [(known or {}).get(word) or stem(word) for word in found]
    counts = Counter(stems)
    counts.update(f"{one} {other}" for one, other in zip(stems, stems[1:], strict=False))
    for word in found:
        counts.update(_letters(word))
    counts.update({f"={attribute}": 1 for attribute in attributes if attribute})
    return counts


@lru_cache(maxsize=20_000)
def _letters(word: str) -> tuple[str, ...]:
    """The runs of letters within a word, its ends marked by blanks."""
    padded = f" {word} "
    return tuple("#" + padded[start: start + size] for size in LETTERS for start in range(max(1, len(padded) - size + 1)))


def block_of(feature: str) -> int:
    return MARKS.get(feature[:1], WORD)
