"""Will it end fixed? The chance of it for a complaint, from the nearest cases and from what the record has taught."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from casebase.record.case import OUTCOMES
from casebase.retrieve.index import Index
from casebase.retrieve.lessons import ENDS
from casebase.retrieve.rank import Ranking

NEAREST = 40
# The share of all jobs counts as this many more neighbours.
PRIOR_CASES = 2.0
# With fewer known ends in the whole record nothing is said.
LEAST_KNOWN = 5
# The neighbours' part of the log-odds beside the learned model.
NEIGHBOURS_SHARE = 0.1


class Neighbours(NamedTuple):
    """The `nearest` cases whose end is known: how many, how many ended fixed, and their weighted share with the prior.

    `known` and `base` are the number of all cases with a known end and the share of them that ended fixed.
    """

    nearest: int
    fixed: int
    share: float
    known: int
    base: float


class Prospect(NamedTuple):
    """The chance in [0, 1] that such a job ends fixed; None where too few ends are known."""

    chance: float | None
    neighbours: Neighbours


def usable_ends(index: Index) -> npt.NDArray[np.int8]:
    """As `ends`, but -1 also for the cases that do not count."""
    return np.where(index.alive, ends(index), np.int8(-1))


def ends(index: Index) -> npt.NDArray[np.int8]:
    """For each position 1 where the job ended fixed, 0 where not, -1 where it is not known or says nothing."""
    values = np.array([-1 if name not in ENDS else int(ENDS[name]) for name in OUTCOMES] + [-1], dtype=np.int8)
    return np.asarray(values[index.column("outcome")])


def prospect(ranking: Ranking, index: Index) -> Prospect:
    """The chance for a question, from its similar cases and what the record has taught of it."""
    near = neighbours([(match.position, match.score) for match in ranking.matches], index.once(usable_ends))
    learned = ranking.taught.fixed
    if near.known < LEAST_KNOWN or not near.nearest:
        return Prospect(None, near)
    return Prospect(near.share if learned is None else blend(near.share, learned), near)


def neighbours(ranked: Sequence[tuple[int, float]], ended: npt.NDArray[np.int8]) -> Neighbours:
    """The nearest cases of known end; each counts by its similarity relative to the nearest.

    Parameters: `ranked`, positions with their similarity, best first; `ended`, as `ends` gives it, -1 also for
    cases that may not answer.
    """
    counted = ended[ended >= 0]
    base = float(counted.mean()) if len(counted) else 0.5
    near = [(position, score) for position, score in ranked if ended[position] >= 0][:NEAREST]
    if not near:
        return Neighbours(0, 0, base, len(counted), base)
    weight = np.array([score / near[0][1] for _position, score in near])
    end = ended[[position for position, _score in near]]
    share = float((weight @ end + PRIOR_CASES * base) / (weight.sum() + PRIOR_CASES))
    return Neighbours(len(near), int(end.sum()), share, len(counted), base)


def blend(near: float, learned: float, share: float = NEIGHBOURS_SHARE) -> float:
    """The mean of two chances on the log-odds scale, `share` being the neighbours' part."""
    clipped = np.clip([near, learned], 1e-6, 1 - 1e-6)
    odds = np.log(clipped / (1 - clipped))
    return float(1 / (1 + np.exp(-(share * odds[0] + (1 - share) * odds[1]))))
