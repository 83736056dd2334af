"""What the sentences of a note tell, by an encoder that has learned from the examples: steps, symptoms, and what the work did.

Each sentence is a vector in the light of those around it. Linear scores say how far a step or a symptom stands above the
threshold of what is told (adaptive thresholds: Zhou et al. 2021); what became of a symptom by a piece of work is a choice
between all sentences and results, and "not told".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any, Literal

import numpy as np

from casebase.record.case import Result
from casebase.retrieve import store
from casebase.retrieve.encoder import Encoder, Vectors, gelu, normal, softmax
from casebase.trade import DATA

WEIGHTS = DATA / "reader.bin"
RESULTS: tuple[Result, ...] = ("cured", "better", "no change", "worse")
LEAST = -10.0  # log-odds below this are all alike
CANDIDATES = 8
BEFORE, AFTER = 4, 19  # so many sentences before and after a piece of work are told apart
EARLY = 2  # a result is told at most so many sentences before its work
NEVER = -30.0  # score of a result that cannot be
MOST = 8.0  # what a sentence alone may add to a score
SILENT = 2.0  # most work is told without a result
_TINY = 1e-5  # as the heads were learned with


class Encoded:
    """A note read by the encoder: `steps`, `symptoms` and the results it has `said` are log-odds by sentence (rows) and label (columns)."""

    def __init__(self, heads: Heads, sentences: Sequence[str]) -> None:
        self._heads = heads
        self._vectors = heads.encoder.vectors(sentences)
        self.steps = heads.above_threshold(self._vectors, "steps")
        self.symptoms = heads.above_threshold(self._vectors, "symptoms")[:, : len(heads.labels["symptoms"])]  # behind them: those that are gone
        self.said = heads.above_threshold(self._vectors, "result")

    def likely(self, subject: Literal["steps", "symptoms"], number: int) -> dict[str, float]:
        """The likeliest labels of a sentence with their log-odds."""
        odds = (self.steps if subject == "steps" else self.symptoms)[number]
        labels = self._heads.labels[subject]
        return {labels[place]: float(odds[place]) for place in (-odds).argsort()[:CANDIDATES] if odds[place] > LEAST}

    def results(self, work: Sequence[tuple[int, str]], symptoms: Mapping[str, Sequence[int]]) -> Vectors:
        """The chance of each result of each piece of work on each symptom by each sentence, an array of (work, symptoms,
        sentences, results). `work` are sentences and labels ("do replace belt"), `symptoms` the sentences that tell each."""
        return self._heads.results(self._vectors, work, symptoms)


class Heads:
    """The encoder with what it says of a sentence; `labels` of steps and of symptoms are its columns, `held` the names of the
    notes of `told.txt` it has not learned from; `proof` what was said of some sentences when it was learned."""

    def __init__(self, encoder: Encoder, weights: Mapping[str, Vectors], labels: Mapping[str, Sequence[str]], held: Sequence[str], proof: Mapping[str, Any]) -> None:
        self.encoder, self._weights = encoder, weights
        self.labels, self.held, self.proof = labels, held, proof
        self.numbers = {subject: {label: number for number, label in enumerate(of)} for subject, of in labels.items()}

    def read(self, sentences: Sequence[str]) -> Encoded:
        """Reads the sentences of a note, in order."""
        return Encoded(self, sentences)

    def above_threshold(self, vectors: Vectors, head: Literal["steps", "symptoms", "result", "about"]) -> Vectors:
        """Log-odds of each label; the last score is the threshold. "about" are the symptoms that a result is told of."""
        scores = vectors @ self._weights[head].T + self._weights[head + " bias"]
        odds: Vectors = scores[:, :-1] - scores[:, -1:]
        return odds

    def results(self, vectors: Vectors, work: Sequence[tuple[int, str]], symptoms: Mapping[str, Sequence[int]]) -> Vectors:
        """See `Encoded.results`."""
        kept, places = self._weights, np.array([place for place, _label in work])
        done = vectors[places] @ kept["work"].T + self._rows(kept["of step"], "steps", [label for _place, label in work])
        means = np.stack([vectors[list(told)].mean(axis=0) if told else np.zeros_like(vectors[0]) for told in symptoms.values()])
        seen = means @ kept["trouble"].T + self._rows(kept["of symptom"], "symptoms", list(symptoms))
        said = vectors @ kept["said"].T + kept["said bias"]
        far = np.clip(np.arange(len(vectors))[None] - places[:, None], -BEFORE, AFTER) + BEFORE
        both = said @ kept["tie"].T
        mixed = said[None, None] + done[:, None, None] + seen[None, :, None] + kept["far"][far][:, None] + (both[None] * seen[:, None])[None]
        told = np.clip(self.above_threshold(vectors, "result"), -MOST, MOST)
        about = self._rows(np.clip(self.above_threshold(vectors, "about"), -MOST, MOST).T, "symptoms", list(symptoms))
        scores = self._layers(mixed) + told + about[None, :, :, None]
        scores[np.broadcast_to((far < BEFORE - EARLY)[:, None, :, None], scores.shape)] = NEVER
        silent = gelu(normal(done[:, None] + seen[None], kept["none norm"], _TINY)) @ kept["none"].T + kept["none bias"] + SILENT
        flat = softmax(np.concatenate([scores.reshape(*scores.shape[:2], -1), silent], axis=-1))
        chances: Vectors = flat[..., :-1].reshape(scores.shape)
        return chances

    def _rows(self, table: Vectors, subject: str, labels: Sequence[str]) -> Vectors:
        """The rows of labels in a table; a label of a folder's own vocabulary has none, and counts by its sentence alone."""
        rows = np.zeros((len(labels), table.shape[1]), np.float32)
        for row, label in enumerate(labels):
            if label in self.numbers[subject]:
                rows[row] = table[self.numbers[subject][label]]
        return rows

    def _layers(self, mixed: Vectors) -> Vectors:
        kept = self._weights
        inner = gelu(gelu(normal(mixed, kept["out norm"], _TINY)) @ kept["out inner"].T + kept["out inner bias"])
        scores: Vectors = inner @ kept["out"].T + kept["out bias"]
        return scores


@cache
def learned() -> Heads:
    """The encoder and heads of `reader.bin`; rows of whole numbers times their scale."""
    arrays, tables = store.load(WEIGHTS)
    weights = {name: array if array.dtype == np.float32 else array * arrays[name + " scale"][:, None] for name, array in arrays.items() if not name.endswith(" scale")}
    return Heads(Encoder(tables["pieces"], weights), weights, {"steps": tables["steps"], "symptoms": tables["symptoms"]}, tables["held"], tables["proof"])
