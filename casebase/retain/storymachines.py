"""What is told of which machine: nobody rewinds the line of a chainsaw. Counted from the examples."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from functools import cache
from math import log

import numpy as np
import numpy.typing as npt

from casebase.retrieve import examples
from casebase.retrieve.examples import told_machines, told_stories

_FEW = 1.0  # notes added to what was counted and what was to be expected, so that few say little


class Machines:
    """In how many notes of each kind of machine each step and symptom was told.

    `counts` has a row for each of `labels` and a column for each of `kinds`; the last row holds all notes of a kind.
    """

    def __init__(self, labels: Sequence[str], kinds: Sequence[str], counts: npt.NDArray[np.int32]) -> None:
        self.labels, self.kinds, self.counts = tuple(labels), tuple(kinds), counts
        self._rows = {label: row for row, label in enumerate(labels)}
        self._columns = {kind: column for column, kind in enumerate(kinds)}

    def fit(self, label: str, kind: str) -> float:
        """The logarithm of how much oftener a label is told of a kind of machine than of all; 0 for one not known."""
        row, column = self._rows.get(label), self._columns.get(kind)
        if row is None or column is None:
            return 0.0
        expected = float(self.counts[row].sum() * self.counts[-1, column] / self.counts[-1].sum())
        return log((float(self.counts[row, column]) + _FEW) / (expected + _FEW))


def machines(*, without: Collection[str] = ()) -> Machines:
    """Counts from the notes of `told.txt`, but those of the names `without`."""
    kinds = told_machines()
    found: Counter[tuple[str, str]] = Counter()
    for name, story in told_stories().items():
        if kinds[name] and name not in without:
            found.update((label, kinds[name]) for label in {"", *_labels(story)})
    labels = [*sorted({label for label, _kind in found} - {""}), ""]
    columns = sorted({kind for _label, kind in found})
    return Machines(labels, columns, np.array([[found[label, kind] for kind in columns] for label in labels], np.int32))


def _labels(story: Iterable[examples.ToldSentence]) -> Iterable[str]:
    return (label for told in story for label in (*told.tells("steps"), *told.tells("symptoms")))


@cache
def learned() -> Machines:
    """`machines` from all there is."""
    def learn() -> examples.Learned:
        found = machines()
        return {"counts": found.counts}, [*found.labels, *found.kinds]

    arrays, names = examples.kept("machines", ("told.txt",), learn)
    rows = len(arrays["counts"])
    return Machines(names[:rows], names[rows:], arrays["counts"])
