"""Work of a note weighed once more when the note is known to its end: what is told again later was only announced before, and
what explains a result that no other work explains was most likely done.

While a note is read, a sentence is known only with those before it. Each piece of work that was near to being taken is weighed here beside
all others and what became of the symptoms by each.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from casebase.retain.story import Sentence
from casebase.retain.storychoice import ACCEPTED, Choice, Like
from casebase.retain.storyencoded import Encoded
from casebase.retain.storystep import Told
from casebase.retrieve.encoder import Vectors
from casebase.retrieve.logistic import Features, log_of, odds
from casebase.trade.terms import Term

CONTENDS = 0.04  # what is less likely by its sentence does not contend
_NEAR, _ABOUT = 2, 3  # sentences in which other work is of the same part, or for the same cause


class Contender(NamedTuple):
    """Work or a setting that the sentence `number` may tell, with its chance by what was known then, whether it was `taken` and whether the rules `read` it."""

    number: int
    sentence: Sentence
    like: Like
    chance: float
    taken: bool
    read: bool

    @property
    def is_work(self) -> bool:
        """Whether it is something done, not a setting."""
        return self.like.label.startswith("do ")


def chances(choice: Choice, contenders: Sequence[Contender], encoded: Encoded, telling: Mapping[str, Sequence[int]]) -> dict[Contender, float]:
    """The chances of all work among the contenders; `telling` are the numbers of the sentences that tell each symptom of the note."""
    ends = _Ends(contenders, encoded, telling)
    return {one: choice.chance("work of the note", one.like.label, {**_features(choice, one, contenders), **ends.features(place)}, one.sentence)
            for place, one in enumerate(contenders) if one.is_work}


def is_likely(chance: float) -> bool:
    """Whether work is taken as told."""
    return chance >= ACCEPTED["work of the note"]


def without_unlikely(steps: Sequence[Told], found: Mapping[Contender, float]) -> list[Told]:
    """The steps, each as likely as was `found` in the likeliest of the sentences that tell it, but for the work that is not likely in any."""
    by_place = {(id(one.sentence), one.like.label): chance for one, chance in found.items()}
    kept = []
    for step in steps:
        weighed = {term: [by_place[place] for sentence in (step.sentence, *step.more) if (place := (id(sentence), f"do {term}")) in by_place] for term in step.terms if step.kind == "do"}
        step.terms = [term for term in step.terms if not weighed.get(term) or is_likely(max(weighed[term]))]
        step.chance = max((chance for term in step.terms for chance in weighed.get(term, ())), default=step.chance)
        if step.terms:
            kept.append(step)
    return kept


def _features(choice: Choice, one: Contender, contenders: Sequence[Contender]) -> Features:
    """How likely the work is by its sentence, and what else is told there, around it, and of the same work elsewhere."""
    actions = choice.vocabulary.terms["action"]
    words, cures = _words(one), _cures(one, actions)
    others = [(other, other.number - one.number) for other in contenders if other is not one]

    def best(those: Iterator[Contender]) -> float:
        return odds(max((other.chance for other in those), default=0.0))

    return {
        "chance": odds(one.chance), "taken": one.taken, "read": one.read,
        "told before": best(other for other, apart in others if apart < 0 and other.like.label == one.like.label),
        "told after": best(other for other, apart in others if apart > 0 and other.like.label == one.like.label),
        **{f"best {name}": best(other for other, apart in others if apart == where) for name, where in (("here", 0), ("just before", -1), ("just after", 1))},
        "best of the part": best(other for other, apart in others if 0 < abs(apart) <= _NEAR and other.like.label != one.like.label and not words.isdisjoint(_words(other))),
        **{f"best for the cause {name}": best(other for other, apart in others if 0 < way * apart <= _ABOUT and other.like.label != one.like.label
                                              and not cures.isdisjoint(_cures(other, actions))) for name, way in (("before", -1), ("after", 1))},
    }


def _words(one: Contender) -> frozenset[str]:
    return frozenset(one.like.label.split()[1:])


def _cures(one: Contender, actions: Mapping[str, Term]) -> frozenset[str]:
    term = actions.get(one.like.label.removeprefix("do ")) if one.is_work else None
    return frozenset(term.cures if term else ())


class _Ends:
    """What became of the symptoms by each contender, as the encoder has it: an array of (contenders, symptoms, sentences, results)."""

    def __init__(self, contenders: Sequence[Contender], encoded: Encoded, telling: Mapping[str, Sequence[int]]) -> None:
        self._taken = [one.taken for one in contenders]
        self._chances: Vectors | None = None
        if contenders and telling:
            by_whole, by_part = encoded.results([(one.number, one.like.label) for one in contenders], telling)
            self._chances = np.asarray((by_whole + by_part) / 2, np.float32)

    def features(self, place: int) -> Features:
        """The chance that a result of the contender is told, that of the likeliest, and how likely the same result of the same symptom by the same sentence, and any of that symptom, is by other work that was taken."""
        told = most = rival = rival_told = 0.0
        if self._chances is not None:
            by_symptom = self._chances[place].sum(axis=(1, 2))
            told, likeliest = float(by_symptom.max()), np.unravel_index(self._chances[place].argmax(), self._chances[place].shape)
            most = float(self._chances[place][likeliest])
            others = [other for other, taken in enumerate(self._taken) if taken and other != place]
            rival = max((float(self._chances[other][likeliest]) for other in others), default=0.0)
            rival_told = max((float(self._chances[other, by_symptom.argmax()].sum()) for other in others), default=0.0)
        of_all = {"result": told, "likeliest result": most, "result by a rival": rival, "symptom by a rival": rival_told}
        return {**of_all, **{f"{name}, log": log_of(chance) for name, chance in of_all.items()}}
