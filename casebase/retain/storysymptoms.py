"""Which symptoms a note tells, weighed once it is read to its end: a symptom that is told twice, or that the work is known to
help, is surer than one heard once; of two of a kind mostly one is meant."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from math import log, prod
from typing import NamedTuple

from casebase.retain.story import Sentence
from casebase.retain.storychoice import ACCEPTED, EVEN, SHORT, Choice
from casebase.retain.storyencoded import RESULTS, Encoded
from casebase.retain.storyties import helps
from casebase.retrieve.encoder import Vectors
from casebase.retrieve.logistic import Features, odds
from casebase.trade.terms import kin

_HEARD = 0.2  # from this chance on a sentence counts as one that tells it
_FOLLOWED = 0.05  # of a symptom less likely than this it does not matter what became of it


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


def heard(choice: Choice, hearings: Sequence[Hearing], work: Sequence[tuple[int, str]], encoded: Encoded, machine: str) -> list[Heard]:
    """The symptoms that a note most likely tells, in the order in which they are told; `work` are the sentences and labels ("do replace belt") of
    what was done on a kind of `machine`."""
    told = dict.fromkeys(label for hearing in hearings for label in hearing.chances)
    chances = {label: [hearing.chances.get(label, 0.0) for hearing in hearings] for label in told}
    best = {label: max(of_label) for label, of_label in chances.items()}
    telling = {label: tuple(number for number, chance in enumerate(of_label) if chance >= min(_HEARD, best[label])) for label, of_label in chances.items()}
    ends = _ends(encoded, work, {label: numbers for label, numbers in telling.items() if best[label] >= _FOLLOWED})
    done = dict.fromkeys(label.removeprefix("do ") for _number, label in work if label.startswith("do "))
    found = []
    for label in told:
        features = {**_features(choice, label, chances[label], best, hearings, tuple(done)), **_end_features(choice, label, ends), "of the machine": choice.machines.fit(label, machine)}
        chance = choice.chance("symptoms of the note", label, features, None)
        sure = len(hearings) > SHORT or features["read"] or best[label] >= EVEN
        if (sure and chance >= ACCEPTED["symptoms of the note"]) or any(label in hearing.named for hearing in hearings):
            found.append(Heard(label, chance, chances[label].index(best[label]), telling[label]))
    return sorted(found, key=lambda symptom: (symptom.best, -symptom.chance))


class _End(NamedTuple):
    """The log-odds that it is told what became of a symptom, and that it was cured, by whole sentences and by their parts."""

    told: float
    cured: float
    part_told: float
    part_cured: float


_NO_END = _End(*[odds(0.0)] * 4)


def _ends(encoded: Encoded, work: Sequence[tuple[int, str]], telling: Mapping[str, Sequence[int]]) -> dict[str, _End]:
    """What the encoder finds became of each symptom."""
    if not work or not telling:
        return {}
    whole, by_part = (chances.sum(axis=2) for chances in encoded.results(work, telling))  # by work, symptom and result

    def likeliest(chances: Vectors, place: int) -> float:
        return odds(min(1.0, float(chances[:, place].max())))

    cured = RESULTS.index("cured")
    return {label: _End(told=likeliest(whole.sum(axis=2), place), cured=likeliest(whole[..., cured], place),
                        part_told=likeliest(by_part.sum(axis=2), place), part_cured=likeliest(by_part[..., cured], place)) for place, label in enumerate(telling)}


def _end_features(choice: Choice, label: str, ends: Mapping[str, _End]) -> Features:
    """What became of a symptom, and of the one of its kind of which most is told: the one meant is that of which a result is told."""
    terms = choice.vocabulary.terms["symptom"]
    end = ends.get(label, _NO_END)
    others = [ends[other] for other in kin(terms, label, ends)] or [_NO_END]
    return {**{f"end {name}": value for name, value in end._asdict().items()}, "end of kin": max(other.told for other in others), "cure of kin": max(other.cured for other in others),
            "more told than of kin": end.told > max(other.told for other in others)}


def _features(choice: Choice, label: str, chances: Sequence[float], best: Mapping[str, float], hearings: Sequence[Hearing], done: Sequence[str]) -> Features:
    """What speaks for and against a symptom with these chances by sentence, over the whole note; `best` are those of all."""
    order = sorted(chances, reverse=True)
    number = chances.index(order[0])
    early = chances[: max(1, len(chances) // 4)]
    terms = choice.vocabulary.terms["symptom"]
    of_kin = max((best[other] for other in kin(terms, label, best)), default=0.0)
    beside = max((chance for other, chance in hearings[number].chances.items() if other != label), default=0.0)
    states = [seen.status for hearing in hearings for seen in hearing.sentence.observations if seen.kind == "symptom" and seen.label == label]
    named = [term.how for hearing in hearings for term in hearing.sentence.of("symptom") if term.label == label]
    helping = sum(helps(choice.vocabulary, action, label) for action in done)
    return {
        "best": odds(order[0]), "second": odds(order[1] if len(order) > 1 else 0.0), "ever": odds(1 - prod(1 - chance for chance in chances)),
        "sentences": min(4, sum(chance >= _HEARD for chance in chances)), "taken": any(label in hearing.taken for hearing in hearings),
        "taken often": min(4, sum(label in hearing.taken for hearing in hearings)), "place": number / len(chances), "early": odds(max(early)),
        "read": "present" in states, "read often": min(4, states.count("present")), "read absent": "absent" in states, "by name": "name" in named, "by pattern": "said" in named,
        "kin": odds(of_kin), "best of kin": order[0] > of_kin, "beside": odds(beside), "best beside": order[0] > beside,
        "helped": helping > 0, "helped often": min(4, helping), "others taken": log(1 + len({other for hearing in hearings for other in hearing.taken if other != label})),
        "length": log(len(hearings)),
    }
