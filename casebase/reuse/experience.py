"""What the folder's cases say of checks and fixes under given causes: counts, costs and where they stand.

Everything is counted once per question, over arrays, so that ten thousand cases take milliseconds.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from casebase.record.case import RESULTS, VERDICTS
from casebase.retrieve.index import Index
from casebase.retrieve.segment import Segment

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

CURED, NOT_TESTED = RESULTS.index("cured"), RESULTS.index("not tested")
UNSURE = VERDICTS.index("unsure")


class Experience:
    """Counts over the given causes; rows of every array are in the order of `causes`."""

    def __init__(self, index: Index, causes: Sequence[str]) -> None:
        self.index, self.count = index, len(causes)
        self.column = np.full(len(index.tables.lists["cause"]) + 1, -1, dtype=np.int64)  # the last is for unknown
        for number, cause in enumerate(causes):
            known = index.tables.known("cause", cause)
            if known >= 0:
                self.column[known] = number
        lists = index.tables.lists
        self._verdicts = np.zeros((len(lists["check"]) + 1, self.count, 2))
        self._told = np.zeros((len(lists["check"]) + 1, 2))
        self._cures = np.zeros((len(lists["bundle"]) + 1, self.count, 2))
        for segment, offset in zip(index.segments, index.offsets, strict=True):
            alive = index.alive[offset: offset + segment.size]
            self._count_checks(segment, alive)
            self._count_fixes(segment, alive)

    def _count_checks(self, segment: Segment, alive: npt.NDArray[np.bool_]) -> None:
        verdict = segment["check_verdict"].astype(np.int64)
        rows, columns = self._pairs(segment, "checks_at", alive, (verdict == 0) | (verdict == 1))
        np.add.at(self._verdicts, (segment["check"][rows], columns, verdict[rows]), 1.0)
        made = np.flatnonzero((verdict >= 0) & alive[segment.owners("checks_at")])
        np.add.at(self._told, (segment["check"][made], (verdict[made] == UNSURE).astype(np.int64)), 1.0)

    def _count_fixes(self, segment: Segment, alive: npt.NDArray[np.bool_]) -> None:
        result = segment["effect_result"].astype(np.int64)
        rows, columns = self._pairs(segment, "effects_at", alive, result != NOT_TESTED)
        np.add.at(self._cures[:, :, 1], (segment["effect_bundle"][rows], columns), 1.0)
        cured = result[rows] == CURED
        np.add.at(self._cures[:, :, 0], (segment["effect_bundle"][rows[cured]], columns[cured]), 1.0)

    def _pairs(self, segment: Segment, pointer: str, alive: npt.NDArray[np.bool_],
               wanted: npt.NDArray[np.bool_]) -> tuple[IntArray, IntArray]:
        """Each wanted row of a list column paired with each cause in question that its case had."""
        owner = segment.owners(pointer)
        rows = np.flatnonzero(wanted & alive[owner])
        at = segment["causes_at"]
        lengths = np.diff(at)[owner[rows]]
        repeated = np.repeat(rows, lengths)
        within = np.arange(len(repeated)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
        columns = self.column[segment["causes"][at[owner[repeated]] + within]]
        return repeated[columns >= 0], columns[columns >= 0]

    def verdicts(self, check: str) -> FloatArray:
        """(causes, 2): cases in which the check came out ok and bad, by the cause that was found."""
        found: FloatArray = self._verdicts[self.index.tables.known("check", check)]
        return found

    def told(self, check: str) -> tuple[float, float]:
        """In how many cases, of any cause, the check could be told, and in how many it could not."""
        told, unsure = self._told[self.index.tables.known("check", check)]
        return float(told), float(unsure)

    def cures(self, action: str) -> tuple[FloatArray, FloatArray]:
        """Per cause: how often this action, done alone, cured, and how often it was tried."""
        counts = self._cures[self.index.tables.known("bundle", [action])]
        return counts[:, 0], counts[:, 1]

    def costs(self, action: str) -> tuple[float | None, float | None]:
        """Median minutes and parts of an action done alone, None where no case says."""
        number = self.index.tables.known("bundle", [action])
        if number < 0:
            return None, None
        rows = [np.flatnonzero(segment["effect_bundle"] == number) for segment in self.index.segments]
        found = []
        for name in ("effect_minutes", "effect_parts"):
            values = np.concatenate([segment[name][at] for segment, at in zip(self.index.segments, rows, strict=True)])
            known = np.sort(values[~np.isnan(values)])
            found.append(float(known[len(known) // 2]) if len(known) else None)
        return found[0], found[1]

    def cases_of_check(self, check: str) -> tuple[str, ...]:
        """The cases with one of the causes in which the check was made."""
        return self._owners("checks_at", "check", self.index.tables.known("check", check))

    def cases_of_fix(self, action: str) -> tuple[str, ...]:
        """The cases with one of the causes in which the action was done alone."""
        return self._owners("effects_at", "effect_bundle", self.index.tables.known("bundle", [action]))

    def _owners(self, pointer: str, column: str, number: int) -> tuple[str, ...]:
        found: list[str] = []
        for segment, offset in zip(self.index.segments, self.index.offsets, strict=True):
            alive = self.index.alive[offset: offset + segment.size]
            rows, _columns = self._pairs(segment, pointer, alive, segment[column] == number) if number >= 0 else ([], [])
            owners = np.unique(np.searchsorted(segment[pointer], np.asarray(rows, dtype=np.int64), side="right") - 1)
            found += [segment.id(int(owner)) for owner in owners]
        return tuple(dict.fromkeys(found))
