"""What is probably wrong: chances of causes from similar cases, with the handbook as a prior that fades.

p(cause) ∝ handbook share · HANDBOOK_CASES + Σ weight of similar cases that had it + what the record has taught. The handbook is worth a
fixed number of cases, so it speaks loudest while there are few. Something that no list names keeps a share too.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from casebase.retrieve.index import Index
from casebase.retrieve.rank import Match
from casebase.retrieve.understand import MachineSeen, Understood
from casebase.reuse.evidence import kernel
from casebase.trade.handbook import Row, rows_for
from casebase.trade.terms import Term, Vocabulary

FloatArray = npt.NDArray[np.float64]

SOMETHING_ELSE = "something else"
HANDBOOK_CASES = 3.0
ELSE_CASES = 0.5
# A symptom with few rows does not make any of them strong.
MOST_PER_ROW = 0.5
# A repair that came back named the wrong cause, or not all of it.
CAME_BACK = 0.25
# A row that needs a symptom nobody mentioned speaks for its cause only a little (our choice).
PARTLY = 0.25
# Words of the question itself: a cause it names counts like so many cases, one it rules out nearly vanishes.
NAMED_CASES, RULED_OUT = 2.0, 0.05
# What the record has taught of the question's words counts like at most so many cases; a chance below LEAST_LEARNED
# is noise.
LEARNED_CASES, LEAST_LEARNED = 3.0, 0.05
MOST_CAUSES = 60
# A cause is held to explain two symptoms when it has at least this share of each, or this part of the likeliest
# cause's share: where many causes are known, none has much (our choice).
SHARED, SHARED_OF_TOP = 0.02, 0.25


class Belief(NamedTuple):
    """Chances of causes, the likeliest first, SOMETHING_ELSE last; they sum to 1.

    `cases` and `rows` are what each cause rests on.
    """

    causes: tuple[str, ...]
    chances: FloatArray
    cases: dict[str, tuple[str, ...]]
    rows: dict[str, tuple[Row, ...]]

    def with_chances(self, chances: FloatArray) -> Belief:
        """The same causes after something was learned."""
        return self._replace(chances=np.asarray(chances / chances.sum()))

    def top(self, count: int = 3) -> tuple[tuple[str, float], ...]:
        """The likeliest causes with their chances."""
        order = np.argsort(-self.chances, kind="stable")[:count]
        return tuple((self.causes[i], float(self.chances[i])) for i in order)


def believe(question: Understood, matches: Sequence[Match], index: Index,
            learned: Mapping[str, float]) -> Belief:
    """The belief over causes for a question, before any check of this machine has been made.

    `matches` are its similar cases, `learned` the chances of causes that the record has taught of its words.
    """
    vocabulary, machine = index.lexicon.vocabulary, question.machine
    symptoms = (*question.symptoms, *question.labels("symptom", "possible"))
    rows = _rows_by_cause(rows_for(symptoms, engine=machine.engine))
    weights = _handbook_weights(rows, set(symptoms))
    cases: dict[str, list[str]] = {}
    for match in matches:
        weight = kernel(match.score) * (CAME_BACK if index.came_back(match.position) else 1.0)
        for cause in match.causes if weight else ():
            weights[cause] = weights.get(cause, 0.0) + weight / len(match.causes)
            cases.setdefault(cause, []).append(match.id)
    trust = index.learned.trust if index.learned and cases else 0.0
    for cause, chance in learned.items():
        if chance >= LEAST_LEARNED and trust:
            weights[cause] = weights.get(cause, 0.0) + LEARNED_CASES * trust * chance
    for cause in question.labels("cause", "present", "possible"):
        weights[cause] = weights.get(cause, 0.0) + NAMED_CASES
    ruled_out = set(question.labels("cause", "absent", "resolved"))
    for cause in weights:
        term = vocabulary.terms["cause"].get(cause)
        if term and not fits(term, machine, vocabulary):
            weights[cause] = 0.0
        if ruled_out and ruled_out.intersection(vocabulary.path("cause", cause)):
            weights[cause] *= RULED_OUT
    kept = sorted((c for c in weights if weights[c] > 0), key=lambda cause: (-weights[cause], cause))[:MOST_CAUSES]
    chances = np.array([*(weights[cause] for cause in kept), ELSE_CASES])
    return Belief((*kept, SOMETHING_ELSE), chances / chances.sum(),
                  {cause: tuple(ids) for cause, ids in cases.items()}, rows)


def fits(term: Term, machine: MachineSeen, vocabulary: Vocabulary) -> bool:
    """Whether a check, action or cause can be of this machine; a carburettor nobody named is the kind's usual one."""
    if not term.only:
        return True
    kind = vocabulary.terms["machine"].get(machine.kind)
    return term.applies(engine=machine.engine, machine=machine.kind,
                        carburettor=machine.carburettor or (kind.carburettor if kind else ""))


def _rows_by_cause(rows: Iterable[Row]) -> dict[str, tuple[Row, ...]]:
    by_cause: dict[str, tuple[Row, ...]] = {}
    for row in rows:
        by_cause[row.cause] = (*by_cause.get(row.cause, ()), row)
    return by_cause


def _handbook_weights(rows: dict[str, tuple[Row, ...]], asked: set[str]) -> dict[str, float]:
    """Each cause once, however many rows name it; the more of the asked symptoms its rows cover the better."""
    raw = {cause: max(_coverage(row, asked) for row in found) for cause, found in rows.items()}
    total = sum(raw.values())
    if not total:
        return {}
    return {cause: min(HANDBOOK_CASES * weight / total, MOST_PER_ROW) for cause, weight in raw.items()}


def _coverage(row: Row, asked: set[str]) -> float:
    shared = len(set(row.symptoms) & asked) / len(asked)
    return shared * (1.0 if set(row.symptoms) <= asked else PARTLY)


def two_systems(question: Understood, matches: Sequence[Match], index: Index) -> tuple[str, str] | None:
    """Two of the asked symptoms that hardly any one cause explains together, so that two faults are likely.

    Of a symptom without any known cause nothing can be said.
    """
    symptoms = question.symptoms
    explained = {}
    for symptom in symptoms:
        alone = question._replace(observations=tuple(
            seen for seen in question.observations if seen.kind != "symptom" or seen.label == symptom))
        belief = believe(alone, [match for match in matches if symptom in match.reasons.symptoms], index, {})
        named = dict(zip(belief.causes[:-1], belief.chances[:-1].tolist(), strict=True))
        enough = min(SHARED, SHARED_OF_TOP * max(named.values(), default=0.0)) - 1e-9
        explained[symptom] = {cause for cause, share in named.items() if share >= enough}
    return next(((one, other) for number, one in enumerate(symptoms) for other in symptoms[number + 1:]
                 if explained[one] and explained[other] and not explained[one] & explained[other]), None)
