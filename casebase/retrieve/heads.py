"""What the encoder says of a sentence: which steps and symptoms it tells, of which setting a number is the value, by linear heads learned with it.

A score says how far a label stands above the threshold of what is told (adaptive thresholds: Zhou et al. 2021).
`tools/learn_encoder.py` learns encoder and heads, and writes both to `trade/data/reader.bin`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from casebase.retrieve import store
from casebase.retrieve.encoder import Encoder, Rows, Vectors
from casebase.trade import DATA

WEIGHTS = DATA / "reader.bin"
LEAST = -10.0  # log-odds below this are all alike
Head = Literal["steps", "symptoms", "result", "about", "value", "cause", "verdict"]
Alone = Literal["tried", "proof", "advice"]  # what a sentence may be for, each by itself


class Tables(Mapping[str, Any]):
    """Tables by name, made numbers when they are first asked for; those of the encoder, the large ones, stay `Rows`."""

    def __init__(self, arrays: Mapping[str, npt.NDArray[Any]]) -> None:
        self._arrays, self._made = arrays, dict[str, Any]()
        self._names = [name for name in arrays if not name.endswith(" scale")]

    def __getitem__(self, name: str) -> Any:
        if name not in self._made:
            table = self._arrays[name]
            rows = None if table.dtype == np.float32 else Rows(table, self._arrays[name + " scale"])
            self._made[name] = table if rows is None else rows if name in ("word", "place") or name[0].isdigit() else rows[:]
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


class Heads:
    """The encoder with what it says of a sentence; `labels` of steps, symptoms, settings and causes are its columns, `held` and `held_asked` the
    names of the notes of `told.txt` and the numbers of the questions of `asked.txt` it has not learned from; `proof` what was said of some sentences when it was learned."""

    def __init__(self, encoder: Encoder, weights: Mapping[str, Vectors], labels: Mapping[str, Sequence[str]], held: Sequence[str], held_asked: Sequence[int],
                 proof: Mapping[str, Any]) -> None:
        self.encoder, self.weights = encoder, weights
        self.labels, self.held, self.held_asked, self.proof = labels, held, held_asked, proof
        self.numbers = {subject: {label: number for number, label in enumerate(of)} for subject, of in labels.items()}

    def above_threshold(self, vectors: Vectors, head: Head) -> Vectors:
        """Log-odds of each label; the last score is the threshold. Behind the symptoms that are there stand those that are gone;
        "about" are the symptoms that a result is told of, "value" the settings that a number is the value of: as found, then as left."""
        scores = vectors @ self.weights[head].T + self.weights[head + " bias"]
        odds: Vectors = scores[:, :-1] - scores[:, -1:]
        return odds

    def alone(self, vectors: Vectors, kind: Alone) -> Vectors:
        """Log-odds that a sentence tells what had been tried before the machine came in, how it was proved, or what the owner should do."""
        odds: Vectors = (vectors @ self.weights[kind].T + self.weights[f"{kind} bias"])[:, 0]
        return odds

    def rows(self, table: Vectors, subject: str, labels: Sequence[str]) -> Vectors:
        """The rows of labels in a table; a label of a folder's own vocabulary has none, and counts by its sentence alone."""
        rows = np.zeros((len(labels), table.shape[1]), np.float32)
        for row, label in enumerate(labels):
            if label in self.numbers[subject]:
                rows[row] = table[self.numbers[subject][label]]
        return rows


@cache
def learned() -> Heads:
    """The encoder and heads of `reader.bin`."""
    arrays, tables = store.load(WEIGHTS, proved=False)
    weights = Tables(arrays)
    return Heads(Encoder(tables["pieces"], weights), weights, {subject: tables.get(subject, []) for subject in ("steps", "symptoms", "settings", "causes")}, tables["held"], tables["held asked"], tables["proof"])
