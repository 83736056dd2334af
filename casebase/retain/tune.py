"""Learns the weights of the similarity from a folder's own cases, and only where they surely gain by it.

Every case with a cause is asked for from the others, leaving out those of the same machine; each set of weights is
measured on the same questions. The defaults stay unless another set is better by more than the noise of the paired
difference; the learned part is taken out where words and terms alone are surely better.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from heapq import nsmallest
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from casebase.retain.evaluate import Asked, Rounds, earned_trust, questions
from casebase.retrieve.index import Index
from casebase.retrieve.text import hashed
from casebase.retrieve.weights import DEFAULTS, Weights

FloatArray = npt.NDArray[np.float64]

# Standard errors of the paired difference by which other weights must be better than the defaults.
CERTAINTY = 2.0
# More questions tell the weights no better; which ones is settled by a hash of their ids.
MOST_QUESTIONS = 400
MIXES = ((0.3, 0.5, 0.2), (0.5, 0.3, 0.2), (0.7, 0.2, 0.1), (0.2, 0.7, 0.1), (0.4, 0.6, 0.0), (0.6, 0.4, 0.0))
LEARNED = (0.0, 0.3, 0.6, 0.8, 0.9, 0.95)


class Tuned(NamedTuple):
    """The weights chosen, and what was measured: mean nDCG@10 of the defaults and of the choice, the difference
    with its standard error, and the number of questions."""

    weights: Weights
    questions: int
    default: float
    chosen: float
    error: float

    @property
    def changed(self) -> bool:
        return self.weights[:4] != DEFAULTS[:4]


def tune(index: Index, texts: Mapping[str, str], progress: Rounds | None = None) -> Tuned:
    """Chooses among MIXES and LEARNED. Raises `Refused` where no case has a cause that another case has too.

    Deterministic: the same cases give the same weights.
    """
    earned = earned_trust(index)
    choices = [DEFAULTS, *(Weights(*mix, learned) for mix in MIXES for learned in (LEARNED if earned else (0.9,))
                           if (*mix, learned) != DEFAULTS[:4])]
    rows = [[asked.ndcg(choice, earned) for choice in choices] for asked in _some(questions(index, texts, progress))]
    table = np.array(rows)
    gains = table - table[:, :1]
    error = gains.std(axis=0, ddof=1) / np.sqrt(len(table)) if len(table) > 1 else np.full(len(choices), np.inf)
    sure = gains.mean(axis=0) - CERTAINTY * error
    best = int(np.argmax(np.where(np.arange(len(choices)) == 0, 0.0, sure)))
    default, chosen = float(table[:, 0].mean()), float(table[:, best].mean())
    evidence = (("questions", float(len(table))), ("ndcg@10 of the defaults", default), ("ndcg@10", chosen),
                ("standard error of the difference", float(error[best])))
    return Tuned(choices[best]._replace(evidence=evidence), len(table), default, chosen, float(error[best]))


def _some(asked: Iterable[Asked]) -> list[Asked]:
    """The questions with a known cause, at most MOST_QUESTIONS of them; no more are held in memory at a time."""
    return nsmallest(MOST_QUESTIONS, (one for one in asked if one.relevant.any()),
                     key=lambda one: hashed(one.scores.index.id(one.position)))
