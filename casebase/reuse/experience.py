"""What the folder's cases say of checks and fixes under given causes: counts, costs and where they stand.

Everything is counted once per index, over arrays and all causes; a question picks its own causes from it.
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


class Counts:
    """Counts over all cases of an index; get them by `index.once(Counts)`.

    `verdicts` (checks, causes, 2): cases in which a check came out ok and bad, by their causes. `told` (checks, 2): in how
    many cases, of any cause, it could be told and in how many not. `cures` (actions, causes, 2): how often an action done
    alone cured, and how often it was tried. The last row and column are noughts and stand for what no case has (-1).
    """

    def __init__(self, index: Index) -> None:
        self.index = index
        lists = index.tables.lists
        bundles = lists["bundle"]
        self._alone = {actions[0]: number for number, actions in enumerate(
            actions for actions in bundles if len(actions) == 1)}
        self._row = np.array([self._alone[actions[0]] if len(actions) == 1 else -1 for actions in (*bundles, ())])
        causes, checks = len(lists["cause"]), len(lists["check"])
        self.verdicts = np.zeros((checks + 1, causes + 1, 2))
        self.told = np.zeros((checks + 1, 2))
        self.cures = np.zeros((len(self._alone) + 1, causes + 1, 2))
        self._costs: dict[str, tuple[float | None, float | None]] = {}
        for segment, offset in zip(index.segments, index.offsets, strict=True):
            alive = index.alive[offset: offset + segment.size]
            self._count_checks(segment, alive)
            self._count_fixes(segment, alive)

    def _count_checks(self, segment: Segment, alive: npt.NDArray[np.bool_]) -> None:
        verdict = segment["check_verdict"].astype(np.int64)
        rows, causes = with_causes(segment, "checks_at", alive, np.flatnonzero((verdict == 0) | (verdict == 1)))
        np.add.at(self.verdicts, (segment["check"][rows], causes, verdict[rows]), 1.0)
        made = np.flatnonzero((verdict >= 0) & alive[segment.owners("checks_at")])
        np.add.at(self.told, (segment["check"][made], (verdict[made] == UNSURE).astype(np.int64)), 1.0)

    def _count_fixes(self, segment: Segment, alive: npt.NDArray[np.bool_]) -> None:
        result, action = segment["effect_result"], self._row[segment["effect_bundle"]]
        rows, causes = with_causes(segment, "effects_at", alive, np.flatnonzero((result != NOT_TESTED) & (action >= 0)))
        np.add.at(self.cures[:, :, 1], (action[rows], causes), 1.0)
        cured = result[rows] == CURED
        np.add.at(self.cures[:, :, 0], (action[rows[cured]], causes[cured]), 1.0)

    def check_row(self, check: str) -> int:
        """The row of a check in `verdicts` and `told`."""
        return self.index.tables.known("check", check)

    def action_row(self, action: str) -> int:
        """The row of an action, done alone, in `cures`."""
        return self._alone.get(action, -1)

    def columns(self, causes: Sequence[str]) -> IntArray:
        """The columns of causes."""
        return np.array([self.index.tables.known("cause", cause) for cause in causes], dtype=np.int64)

    def costs(self, action: str) -> tuple[float | None, float | None]:
        """Median minutes and parts of an action done alone, None where no case says."""
        if action not in self._costs:
            number = self.index.tables.known("bundle", [action])
            self._costs[action] = self._medians(number) if number >= 0 else (None, None)
        return self._costs[action]

    def _medians(self, bundle: int) -> tuple[float | None, float | None]:
        rows = [np.flatnonzero(segment["effect_bundle"] == bundle) for segment in self.index.segments]
        found = []
        for name in ("effect_minutes", "effect_parts"):
            values = np.concatenate([segment[name][at] for segment, at in zip(self.index.segments, rows, strict=True)])
            known = np.sort(values[~np.isnan(values)])
            found.append(float(known[len(known) // 2]) if len(known) else None)
        return found[0], found[1]


def cases_of_check(index: Index, check: str, causes: Sequence[str]) -> tuple[str, ...]:
    """The cases with one of the causes in which the check was made."""
    return _owners(index, "checks_at", "check", index.tables.known("check", check), causes)


def cases_of_fix(index: Index, action: str, causes: Sequence[str]) -> tuple[str, ...]:
    """The cases with one of the causes in which the action was done alone."""
    return _owners(index, "effects_at", "effect_bundle", index.tables.known("bundle", [action]), causes)


def _owners(index: Index, pointer: str, column: str, number: int, causes: Sequence[str]) -> tuple[str, ...]:
    if number < 0:
        return ()
    asked = np.zeros(len(index.tables.lists["cause"]) + 1, dtype=np.bool_)
    asked[[index.tables.known("cause", cause) for cause in causes]] = True
    found: list[str] = []
    for segment, offset in zip(index.segments, index.offsets, strict=True):
        alive = index.alive[offset: offset + segment.size]
        rows, had = with_causes(segment, pointer, alive, np.flatnonzero(segment[column] == number))
        owners = np.unique(segment.owners(pointer)[rows[asked[had]]])
        found += [segment.id(owner) for owner in owners.tolist()]
    return tuple(dict.fromkeys(found))


def with_causes(segment: Segment, pointer: str, alive: npt.NDArray[np.bool_], rows: IntArray) -> tuple[IntArray, IntArray]:
    """Each of the rows of a list column whose case counts, paired with each cause that its case had."""
    owner = segment.owners(pointer)
    rows = rows[alive[owner[rows]]]
    at = segment["causes_at"]
    starts, lengths = at[owner[rows]], np.diff(at)[owner[rows]]
    before = np.cumsum(lengths) - lengths
    causes = segment["causes"][np.arange(int(lengths.sum())) + np.repeat(starts - before, lengths)]
    rows = np.repeat(rows, lengths)
    return rows[causes >= 0], causes[causes >= 0].astype(np.int64)
