"""The checks and fixes of the vocabulary as numbers over the causes in question.

What a check is likely to show under each cause, and how surely a fix removes each cause, are both pulled from a plain
assumption towards the shop's own cases.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple, get_args

import numpy as np
import numpy.typing as npt

from casebase.retrieve.index import Index
from casebase.reuse.experience import Counts
from casebase.reuse.learning import m_estimate
from casebase.reuse.troubleshoot import Check, Fix

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
Answer = Literal["ok", "bad", "can't tell"]

# Assumed until cases say more (our choice): how often a check comes out bad under a cause it looks at directly
# (the cause is of the check's own group), under one it points to from afar, and otherwise; and how surely a fix
# that is meant for a cause removes it.
BAD_IF_SEEN, BAD_IF_POINTED, BAD_OTHERWISE, CURES_IF_MEANT = 0.9, 0.5, 0.1, 0.85
M_CHECK, M_FIX = 4.0, 3.0


class _Column(NamedTuple):
    """What the tools have to do with one cause: `points` and `group` over checks, `cures` over fixes."""

    points: BoolArray
    group: BoolArray
    cures: BoolArray


class Toolbox:
    """All checks, and all actions that cure something; get it by `index.once(Toolbox)`."""

    def __init__(self, index: Index) -> None:
        self.index, self.vocabulary = index, index.lexicon.vocabulary
        self.counts = index.once(Counts)
        self.checks = tuple(self.vocabulary.terms["check"].values())
        self.fixes = tuple(term for term in self.vocabulary.terms["action"].values() if term.cures)
        self.check_number = {term.label: number for number, term in enumerate(self.checks)}
        self.fix_number = {term.label: number for number, term in enumerate(self.fixes)}
        self._check_rows = np.array([self.counts.check_row(term.label) for term in self.checks], dtype=np.int64)
        self._fix_rows = np.array([self.counts.action_row(term.label) for term in self.fixes], dtype=np.int64)
        self._columns: dict[str, _Column] = {}

    def column(self, cause: str) -> _Column:
        """What the tools have to do with a cause; what is said of a group of causes holds for all of it."""
        if cause not in self._columns:
            path = frozenset(self.vocabulary.path("cause", cause))
            self._columns[cause] = _Column(
                np.array([not path.isdisjoint(term.points_to) for term in self.checks], dtype=np.bool_),
                np.array([term.under in path for term in self.checks], dtype=np.bool_),
                np.array([not path.isdisjoint(term.cures) for term in self.fixes], dtype=np.bool_))
        return self._columns[cause]

    def verdicts(self, causes: Sequence[str]) -> FloatArray:
        """(checks, causes, 2): in how many cases a check came out ok and bad."""
        return self.counts.verdicts[self._check_rows[:, None], self.counts.columns(causes)]

    def blind(self) -> FloatArray:
        """(checks,): how often a check could not be read."""
        told, unsure = self.counts.told[self._check_rows].T
        return np.asarray(unsure / (told + unsure + M_CHECK))

    def cures(self, causes: Sequence[str]) -> FloatArray:
        """(fixes, causes, 2): in how many cases a fix cured, and in how many it was tried."""
        return self.counts.cures[self._fix_rows[:, None], self.counts.columns(causes)]


class Tools:
    """The toolbox over some causes.

    `points` (checks, causes) and `meant` (fixes, causes) say which causes a check looks for and a fix removes; `looks`
    (checks,) and `cures` (fixes,) whether there are any.
    `likelihood` (checks, 3, causes): the chances of ok, bad and can't tell; `blind` (checks,) is that of the last.
    `efficacy` (fixes, causes).
    """

    def __init__(self, box: Toolbox, causes: Sequence[str]) -> None:
        self.box = box
        points, group, meant = zip(*(box.column(cause) for cause in causes), strict=True)
        self.points, self.meant = np.stack(points, axis=1), np.stack(meant, axis=1)
        self.looks: BoolArray = np.logical_or.reduce(self.points, axis=1)
        self.cures: BoolArray = np.logical_or.reduce(self.meant, axis=1)
        self.blind = box.blind()
        bad = _bad(self.points, np.stack(group, axis=1) & self.points, box.verdicts(causes))
        # A check this shop often could not read is worth that much less; it tells nothing of the cause then.
        blind = np.broadcast_to(self.blind[:, None], bad.shape)
        self.likelihood = np.stack([(1 - bad) * (1 - blind), bad * (1 - blind), blind], axis=1)
        cured, tried = np.moveaxis(box.cures(causes), 2, 0)
        efficacy = (cured + M_FIX * np.where(self.meant, CURES_IF_MEANT, 0.0)) / (tried + M_FIX)
        self.efficacy = np.where(self.meant | (cured > 0), efficacy, 0.0)

    def check(self, number: int, cost: float) -> Check:
        """A check that looks for one of the causes at least."""
        answers = get_args(Answer)[:3 if self.blind[number] else 2]
        return Check(self.box.checks[number].label, cost, self.likelihood[number, :len(answers)], answers)

    def fix(self, number: int, cost: float) -> Fix:
        return Fix(self.box.fixes[number].label, cost, self.efficacy[number])

    def reach(self, chances: FloatArray, leader: int, checks: Sequence[int]) -> FloatArray:
        """How likely each cause could become beside the leader, if all these checks came out in its favour."""
        shown = self.likelihood[list(checks), :2]
        best = (shown / shown[:, :, [leader]]).max(axis=1)
        best = np.where(self.blind[list(checks), None] > 0, np.maximum(best, 1.0), best)  # it may also not be told
        return np.asarray(np.multiply.reduce(np.concatenate([chances[None], best]), axis=0))


def _bad(points: BoolArray, seen: BoolArray, counts: FloatArray) -> FloatArray:
    """(checks, causes): how often a check comes out bad. `seen`: which of the causes it points to it looks at directly."""
    bad = np.where(seen, BAD_IF_SEEN, np.where(points, BAD_IF_POINTED, BAD_OTHERWISE))
    # Cases of all causes of a kind together pull the assumption first, then each cause's own cases.
    for group, usual in ((seen, BAD_IF_SEEN), (points & ~seen, BAD_IF_POINTED), (~points, BAD_OTHERWISE)):
        together = (counts * group[:, :, None]).sum(axis=1)
        pooled = m_estimate(together, [1 - usual, usual], M_CHECK)[:, 1]
        bad = np.where(group & (together.sum(axis=1) > 0)[:, None], pooled[:, None], bad)
    own = m_estimate(counts, np.stack([1 - bad, bad], axis=2), M_CHECK)[:, :, 1]
    return np.where((counts.sum(axis=(1, 2)) > 0)[:, None], own, bad)
