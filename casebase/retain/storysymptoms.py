"""Which symptoms a note tells, weighed once it is read to its end: a symptom that is told twice, or that the work is known to
help, is surer than one heard once; of two of a kind mostly one is meant."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from math import log, prod
from typing import NamedTuple

from casebase.retain.story import Sentence
from casebase.retain.storychoice import ACCEPTED, Choice
from casebase.retain.storyties import helps
from casebase.retrieve.logistic import Features, odds

_HEARD = 0.2  # from this chance on a sentence counts as one that tells it


class Hearing(NamedTuple):
    """A sentence of a note with the chances of the symptoms it may tell, those that were taken as told by it, and of those the
    ones told in the very words of their label."""

    sentence: Sentence
    chances: Mapping[str, float]
    taken: Collection[str]
    named: Collection[str]


class Heard(NamedTuple):
    """A symptom of a note with its chance, the number of the sentence that most likely tells it, and those of all that may."""

    label: str
    chance: float
    best: int
    numbers: tuple[int, ...]


def heard(choice: Choice, hearings: Sequence[Hearing], work: Iterable[str], machine: str) -> list[Heard]:
    """The symptoms that a note most likely tells, in the order in which they are told; `work` are the actions done
    on a kind of `machine`."""
    told = {label for hearing in hearings for label in hearing.chances}
    done = tuple(dict.fromkeys(work))
    best = {label: max(hearing.chances.get(label, 0.0) for hearing in hearings) for label in told}
    found = []
    for label in told:
        chance = choice.chance("symptoms of the note", label, {**_features(choice, label, best, hearings, done), "of the machine": choice.machines.fit(label, machine)}, None)
        if chance >= ACCEPTED["symptoms of the note"] or any(label in hearing.named for hearing in hearings):
            chances = [hearing.chances.get(label, 0.0) for hearing in hearings]
            first = chances.index(best[label])
            found.append(Heard(label, chance, first, tuple(number for number, one in enumerate(chances) if one >= _HEARD or number == first)))
    return sorted(found, key=lambda symptom: (symptom.best, -symptom.chance))


def _features(choice: Choice, label: str, best: Mapping[str, float], hearings: Sequence[Hearing], done: Sequence[str]) -> Features:
    """What speaks for and against a symptom, over the whole note."""
    chances = [hearing.chances.get(label, 0.0) for hearing in hearings]
    order = sorted(chances, reverse=True)
    number = chances.index(order[0])
    early = chances[: max(1, len(chances) // 4)]
    terms = choice.vocabulary.terms["symptom"]
    family = terms[label].under
    kin = max((chance for other, chance in best.items() if other != label and terms[other].under == family), default=0.0)
    beside = max((chance for other, chance in hearings[number].chances.items() if other != label), default=0.0)
    states = [seen.status for hearing in hearings for seen in hearing.sentence.observations if seen.kind == "symptom" and seen.label == label]
    named = [term.how for hearing in hearings for term in hearing.sentence.of("symptom") if term.label == label]
    helping = sum(helps(choice.vocabulary, action, label) for action in done)
    return {
        "best": odds(order[0]), "second": odds(order[1] if len(order) > 1 else 0.0), "ever": odds(1 - prod(1 - chance for chance in chances)),
        "sentences": min(4, sum(chance >= _HEARD for chance in chances)), "taken": any(label in hearing.taken for hearing in hearings),
        "taken often": min(4, sum(label in hearing.taken for hearing in hearings)), "place": number / len(chances), "early": odds(max(early)),
        "read": "present" in states, "read often": min(4, states.count("present")), "read absent": "absent" in states, "by name": "name" in named, "by pattern": "said" in named,
        "kin": odds(kin), "best of kin": order[0] > kin, "beside": odds(beside), "best beside": order[0] > beside,
        "helped": helping > 0, "helped often": min(4, helping), "others taken": log(1 + len({other for hearing in hearings for other in hearing.taken if other != label})),
        "length": log(len(hearings)),
    }
