"""What the sentences of a note tell, by the encoder: steps, symptoms, and what the work did.

Each sentence is read in the light of those around it; what became of a symptom by a piece of work is a choice between all
sentences and results, and "not told".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np

from casebase.record.case import Result
from casebase.retrieve.encoder import Vectors, gelu, normal, softmax
from casebase.retrieve.heads import LEAST, learned

RESULTS: tuple[Result, ...] = ("cured", "better", "no change", "worse")
CANDIDATES = 8
BEFORE, AFTER = 4, 19  # so many sentences before and after a piece of work are told apart
EARLY = 2  # a result is told at most so many sentences before its work
NEVER = -30.0  # score of a result that cannot be
MOST = 8.0  # what a sentence alone may add to a score
SILENT = 2.0  # most work is told without a result
_TINY = 1e-5  # as the heads were learned with


class Encoded:
    """A note read by the encoder: `steps`, `symptoms` and the results it has `said` are log-odds by sentence (rows) and label (columns), `tried` those
    of telling what had been tried before."""

    def __init__(self, sentences: Sequence[str]) -> None:
        self._heads = learned()
        self._vectors = self._heads.encoder.vectors(sentences)
        self.steps = self._heads.above_threshold(self._vectors, "steps")
        self.symptoms = self._heads.above_threshold(self._vectors, "symptoms")[:, : len(self._heads.labels["symptoms"])]
        self.said = self._heads.above_threshold(self._vectors, "result")
        self.tried = self._heads.tried(self._vectors)

    def likely(self, subject: Literal["steps", "symptoms"], number: int) -> dict[str, float]:
        """The likeliest labels of a sentence with their log-odds."""
        odds = (self.steps if subject == "steps" else self.symptoms)[number]
        labels = self._heads.labels[subject]
        return {labels[place]: float(odds[place]) for place in (-odds).argsort()[:CANDIDATES] if odds[place] > LEAST}

    def results(self, work: Sequence[tuple[int, str]], symptoms: Mapping[str, Sequence[int]]) -> Vectors:
        """The chance of each result of each piece of work on each symptom by each sentence, an array of (work, symptoms,
        sentences, results). `work` are sentences and labels ("do replace belt"), `symptoms` the sentences that tell each."""
        heads, vectors, kept = self._heads, self._vectors, self._heads.weights
        places = np.array([place for place, _label in work])
        done = vectors[places] @ kept["work"].T + heads.rows(kept["of step"], "steps", [label for _place, label in work])
        means = np.stack([vectors[list(told)].mean(axis=0) if told else np.zeros_like(vectors[0]) for told in symptoms.values()])
        seen = means @ kept["trouble"].T + heads.rows(kept["of symptom"], "symptoms", list(symptoms))
        said = vectors @ kept["said"].T + kept["said bias"]
        far = np.clip(np.arange(len(vectors))[None] - places[:, None], -BEFORE, AFTER) + BEFORE
        both = said @ kept["tie"].T
        mixed = said[None, None] + done[:, None, None] + seen[None, :, None] + kept["far"][far][:, None] + (both[None] * seen[:, None])[None]
        about = heads.rows(np.clip(heads.above_threshold(vectors, "about"), -MOST, MOST).T, "symptoms", list(symptoms))
        scores = _layers(kept, mixed) + np.clip(self.said, -MOST, MOST) + about[None, :, :, None]
        scores[np.broadcast_to((far < BEFORE - EARLY)[:, None, :, None], scores.shape)] = NEVER
        silent = gelu(normal(done[:, None] + seen[None], kept["none norm"], _TINY)) @ kept["none"].T + kept["none bias"] + SILENT
        flat = softmax(np.concatenate([scores.reshape(*scores.shape[:2], -1), silent], axis=-1))
        chances: Vectors = flat[..., :-1].reshape(scores.shape)
        return chances


def _layers(kept: Mapping[str, Vectors], mixed: Vectors) -> Vectors:
    inner = gelu(gelu(normal(mixed, kept["out norm"], _TINY)) @ kept["out inner"].T + kept["out inner bias"])
    scores: Vectors = inner @ kept["out"].T + kept["out bias"]
    return scores
