"""What the work did, weighed once the whole note is read: for each piece of work and symptom what a sentence tells of them.

Every sentence is held against the work and the symptoms told by then. The chances of one reading depend on how likely its
rivals are ("that cured it" is told of one thing), so all are weighed twice, the second time beside each other.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Hashable, Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from casebase.record.case import Result
from casebase.retain.story import Sentence
from casebase.retain.storychoice import ACCEPTED, SHORT, Choice, Likeness
from casebase.retain.storycues import effects_in, is_advice, is_of_each, is_proof
from casebase.retain.storyencoded import RESULTS, Encoded
from casebase.retain.storystep import Told
from casebase.retain.storysymptoms import Heard
from casebase.retain.storyties import Symptoms
from casebase.retrieve.encoder import Vectors
from casebase.retrieve.logistic import Features, log_of, odds
from casebase.retrieve.text import stem

UNNAMED = 0.5  # less sure than this, a sentence of a short note that names a symptom tells nothing of another
IN_SIGHT = 5  # so many pieces of work before a sentence may still be what it speaks of
LIKELY = '"{result}" of {symptom} by {work} is likely, though not told in known words'
_TURNED = re.compile(r"\b(?:still|again|not|no|never|same)\b|n't", re.IGNORECASE)
_NOW = re.compile(r"\bnow\b|\bthat (?:did|was|cured|fixed|sorted)\b", re.IGNORECASE)
_SEVERAL = re.compile(r"\b(?:both|neither|either|two|everything|all|lot|any of)\b", re.IGNORECASE)
_BUT = re.compile(r"(?:but|still|yet|only|except)\b", re.IGNORECASE)
_WORDS = re.compile(r"[a-z']+")
_LONG = 8  # sentences and pieces of work farther away are all alike


class Work(NamedTuple):
    """Something done, and the number of the sentence that tells it."""

    step: Told
    number: int


class Tie(NamedTuple):
    """A result that the sentence `number` may tell of the `work` of that place and a symptom."""

    number: int
    work: int
    symptom: str
    result: Result


class Tale:
    """What was read of a note before results are weighed: its sentences, how like each is to symptoms (`spoken`), the work in order, the symptoms that were `heard`
    and what the rules `proposed`. `mentions` are the symptoms that each sentence tells, `sure` how likely each is told at all."""

    def __init__(self, choice: Choice, parts: Sequence[Sentence], encoded: Encoded, spoken: Sequence[Likeness], works: Sequence[Work], heard: Sequence[Heard],
                 proposed: Collection[Tie], symptoms: Symptoms) -> None:
        mentions = {number: [symptom.label for symptom in heard if number in symptom.numbers] for number in range(len(parts))}
        self.choice, self.parts, self.spoken, self.works, self.mentions, self.symptoms = choice, parts, spoken, works, mentions, symptoms
        self.sure = {symptom.label: symptom.chance for symptom in heard}
        self.proposed = {(tie.number, tie.work, tie.symptom): tie.result for tie in proposed}
        self.first: dict[str, int] = {}
        for number in sorted(mentions):
            for symptom in mentions[number]:
                self.first.setdefault(symptom, number)
        self.words = [frozenset(stem(word) for term in work.step.terms for word in _WORDS.findall(term.lower())) for work in works]
        self.encoded, self.said = _encoded(encoded, works, self.first, mentions), encoded.said
        self.helped = [{symptom: symptoms.helped(work.step, symptom) for symptom in self.first} for work in works]

    def told(self) -> dict[Tie, float]:
        """The results that sentences may tell with their chances; 1 where the rules read it plainly."""
        features: dict[Tie, Features] = {}
        chances: dict[Tie, float] = {}
        plain: set[Tie] = set()
        past: dict[tuple[int, str], Result] = {}
        for number, sentence in enumerate(self.parts):
            here = dict(self._ties(number, past))
            features |= here
            plain |= {tie for tie in here if self._is_plain(tie)}
            chances |= {tie: 1.0 if tie in plain else self.choice.chance("effects", self.thing(tie), found, sentence) for tie, found in here.items()}
            past |= [((tie.work, tie.symptom), tie.result) for tie in _best(here, chances, ACCEPTED["effects"])]
        rivals = _Rivals(chances)
        again = {tie: 1.0 if tie in plain else self.choice.chance("effects beside", self.thing(tie), {**found, **rivals.features(tie)}, self.parts[tie.number])
                 for tie, found in features.items()}
        again = {tie: chance for tie, chance in again.items() if chance >= UNNAMED or not features[tie]["another named"] or len(self.parts) > SHORT}
        likely = _best(again, again, ACCEPTED["effects beside"])
        return again | {shared: again[tie] for tie, shared in self.shared(likely)}

    def shared(self, told: Collection[Tie]) -> Iterator[tuple[Tie, Tie]]:
        """ "Neither helped": what the last thing did, those before it of which nothing was said did too. Each with the result it is taken from."""
        spoken_of = {tie.work for tie in told}
        for tie in told:
            if is_of_each(self.parts[tie.number].text):
                for work in range(tie.work - 1, -1, -1):
                    if work in spoken_of:
                        break
                    yield tie, tie._replace(work=work)

    def _is_plain(self, tie: Tie) -> bool:
        """Whether the rules read a result in a stretch that names the symptom and in which no known phrase says another, or in a
        known phrase about several things at once ("neither helped"), or about the only trouble of a short note ("that did it")."""
        sentence = self.parts[tie.number]
        if self.proposed.get(tie[:3]) != tie.result:
            return False
        cues = effects_in(sentence.text)
        of_all = _SEVERAL.search(sentence.text) or (len(self.parts) <= SHORT and len(self.first) == 1)
        if cues and of_all and all(cue.result == tie.result for cue in cues):
            return True
        return any(tie.symptom in self.symptoms.named(sentence, start, end) and all(cue.result == tie.result for cue in effects_in(sentence.text[start:end]))
                   for start, end in sentence.stretches())

    def thing(self, tie: Tie) -> str:
        """The names of a result, one for each thing done."""
        step = self.works[tie.work].step
        return "\n".join(f"{step.kind} {term} / {tie.symptom} / {tie.result}" for term in step.terms)

    def _ties(self, number: int, past: Mapping[tuple[int, str], Result]) -> Iterator[tuple[Tie, Features]]:
        """All that a sentence might tell, with what speaks for and against it."""
        told = [place for place, work in enumerate(self.works) if work.number <= number]
        sight = told[-(IN_SIGHT + sum(self.works[place].number == number for place in told)):]
        symptoms = [symptom for symptom, first in self.first.items() if first <= number]
        if not sight or not symptoms:
            return
        view = _View(self, number, sight, symptoms, past)
        for symptom in symptoms:
            of_symptom = view.of_symptom(symptom)
            for result in RESULTS:
                of_result = {**of_symptom, **view.of_result(symptom, result)}
                for place in sight:
                    yield Tie(number, place, symptom, result), {**of_result, **view.of_work(place, symptom, result)}


class _Becoming(NamedTuple):
    """What became of a symptom by a piece of work, as the encoder has it: the log-odds of each result by each sentence (rows), of
    each at all, both by whole sentences and by their parts; of none; the sentence that most likely tells each; the likeliest results."""

    here: list[list[float]]
    ever: list[float]
    part_here: list[list[float]]
    part_ever: list[float]
    none: float
    most: list[int]
    likeliest: list[bool]

    @classmethod
    def of(cls, chances: Vectors, by_part: Vectors) -> _Becoming:
        at_all, most = [float(chances[:, column].sum()) for column in range(len(RESULTS))], chances.sum(axis=0).max()
        return cls(_odds_of(chances), [odds(min(1.0, chance)) for chance in at_all], _odds_of(by_part), [odds(min(1.0, float(chance))) for chance in by_part.sum(axis=0)],
                   odds(max(0.0, 1 - float(chances.sum()))), chances.argmax(axis=0).tolist(), [bool(chance >= most) for chance in at_all])


def _odds_of(chances: Vectors) -> list[list[float]]:
    return [[odds(min(1.0, chance)) for chance in row] for row in chances.tolist()]


def _encoded(encoded: Encoded, works: Sequence[Work], symptoms: Iterable[str], mentions: Mapping[int, Sequence[str]]) -> dict[tuple[int, str], _Becoming]:
    """What became of each symptom by each piece of work; of things done together the likeliest counts."""
    told = [(place, (work.number, f"{work.step.kind} {term}")) for place, work in enumerate(works) for term in work.step.terms]
    telling = {symptom: [number for number in sorted(mentions) if symptom in mentions[number]] for symptom in symptoms}
    if not told or not telling:
        return {}
    chances = np.stack(encoded.results([done for _place, done in told], telling), axis=2)
    found: dict[tuple[int, str], Vectors] = {}
    for (place, _done), of_work in zip(told, chances, strict=True):
        for symptom, tables in zip(telling, of_work, strict=True):
            found[place, symptom] = np.maximum(tables, found[place, symptom]) if (place, symptom) in found else tables
    return {pair: _Becoming.of(*tables) for pair, tables in found.items()}


class _View:
    """A sentence with the work in sight, the symptoms told by then, and what became of them."""

    def __init__(self, tale: Tale, number: int, sight: Sequence[int], symptoms: Sequence[str], past: Mapping[tuple[int, str], Result]) -> None:
        self.tale, self.number, self.sight, self.symptoms, self.past = tale, number, sight, symptoms, past
        self.sentence = tale.parts[number]
        text = self.sentence.text
        self.spoken = tale.spoken[number]
        self.cues = effects_in(text)
        self.named = [[label for label in tale.symptoms.named(self.sentence, start, end) if label in symptoms] for start, end in self.spoken.spans]
        cured = {symptom for (_work, symptom), result in past.items() if result == "cured"}
        self.open = [symptom for symptom in symptoms if symptom not in cured]
        self.last = {symptom: max((said for said in tale.mentions if said < number and symptom in tale.mentions[said]), default=-1) for symptom in symptoms}
        self.order = sorted(symptoms, key=lambda symptom: -self.last[symptom])
        self.said = frozenset(stem(word) for word in _WORDS.findall(text.lower()))
        self.form = {"turned": bool(_TURNED.search(text)), "now": bool(_NOW.search(text)), "proof": is_proof(text), "several": bool(_SEVERAL.search(text)),
                     "but": bool(_BUT.match(text)), "length": len(text.split()) ** 0.5, "stretches": len(self.named), "advice": is_advice(text, late=True),
                     "place": number / len(tale.parts), "many open": len(self.open), "steps here": sum(tale.works[place].number == number for place in sight)}

    def of_symptom(self, symptom: str) -> Features:
        """What the sentence has to do with a symptom."""
        like = self.spoken.of(symptom)
        states = [seen.status for seen in self.sentence.observations if seen.kind == "symptom" and seen.label == symptom]
        terms = self.tale.choice.vocabulary.terms["symptom"]
        nearest = terms.get(self.order[0])
        return {**self.form, "symptom best": log_of(like.best), "symptom whole": log_of(like.whole), "no symptom": log_of(self.spoken.other),
                "another best": log_of(max((self.spoken.of(other).best for other in self.symptoms if other != symptom), default=0.0)),
                "symptom named": symptom in self.named[0], "another named": bool(self.named[0]) and symptom not in self.named[0],
                "symptom there": "present" in states, "symptom gone": any(state in ("absent", "resolved") for state in states),
                "told here": symptom in self.tale.mentions.get(self.number, ()), "new": self.tale.first[symptom] == self.number,
                "open": symptom in self.open, "only one open": self.open == [symptom], "since told": min(_LONG, self.number - self.last[symptom]),
                "told last": self.order[0] == symptom, "order": min(self.order.index(symptom), 4),
                "kin of the last": bool(nearest and symptom in terms and terms[symptom].under == nearest.under),
                "of it told": any(other == symptom for _work, other in self.past)}

    def of_result(self, symptom: str, result: Result) -> Features:
        """What the sentence says of a result, and whether in one breath with the symptom: "that stopped the leak, but it still needed the choke"."""
        said, spans = any(cue.result == result for cue in self.cues), self.spoken.spans
        first = 1 if len(spans) > 1 else 0  # the whole is no stretch of its own
        where = [span for span, named in zip(spans[first:], self.named[first:], strict=True) if symptom in named]
        there = [cue.result == result for start, end in where for cue in self.cues if start <= cue.start < end]
        before = [told for (_work, other), told in self.past.items() if other == symptom]
        return {"encoded says": self.tale.said[self.number, RESULTS.index(result)], "said": said, "otherwise said": bool(self.cues) and not said,
                "short and said": said and len(self.sentence.text.split()) < 8, "named": bool(where), "said where named": any(there),
                "otherwise said where named": bool(there) and not any(there), result: 1.0, "gone and cured": result == "cured" and bool(before) and before[-1] == "cured",
                "as before": bool(before) and before[-1] == result, "turned, no change": result == "no change" and self.form["turned"],
                "turned, cured": result == "cured" and self.form["turned"], "told here, no change": result == "no change" and symptom in self.tale.mentions.get(self.number, ()),
                "told here, cured": result == "cured" and symptom in self.tale.mentions.get(self.number, ())}

    def of_work(self, place: int, symptom: str, result: Result) -> Features:
        """What speaks for this work and not another."""
        tale, work = self.tale, self.tale.works[place]
        helped, age, later = tale.helped[place][symptom], self.number - work.number, [other for other in self.sight if other > place]
        proposed = tale.proposed.get((self.number, place, symptom))
        anything = [told for (number, _work, _symptom), told in tale.proposed.items() if number == self.number]
        became, column = tale.encoded[place, symptom], RESULTS.index(result)
        return {
            "encoded": became.here[self.number][column], "encoded ever": became.ever[column], "encoded none": became.none,
            "encoded part": became.part_here[self.number][column], "encoded part ever": became.part_ever[column],
            "encoded most here": became.most[column] == self.number, "encoded likeliest": became.likeliest[column],
            "proposed": proposed == result, "proposed and said": proposed == result and any(cue.result == result for cue in self.cues),
            "proposed otherwise": proposed is not None and proposed != result, "proposed elsewhere": proposed is None and result in anything, "anything proposed": bool(anything),
            "helps": helped, "helps a cure": helped and result == "cured", "another would help": any(tale.helped[other][symptom] for other in self.sight if other != place),
            "would help another": not helped and any(tale.helped[place][other] for other in self.open), "here": age == 0, "just before": age == 1, "age": min(age, _LONG),
            "last": not later, "later work": min(len(later), 4), "told with": sum(tale.works[other].number == work.number for other in self.sight),
            "named again": age > 0 and not tale.words[place].isdisjoint(self.said), "set": work.step.kind == "set",
            "told before": (place, symptom) in self.past, "tells others": any(other == place for other, _symptom in self.past),
            "told of later work": any((other, symptom) in self.past for other in later), "symptom since": min(_LONG, max(-_LONG, work.number - tale.first[symptom])),
        }


class _Rivals:
    """How likely the other readings of a sentence are, and the same reading in the sentences beside it."""

    def __init__(self, chances: Mapping[Tie, float]) -> None:
        self.chances = chances
        self.best: dict[Hashable, list[float]] = defaultdict(lambda: [0.0, 0.0])
        for tie, chance in chances.items():
            for _name, key in _rivalries(tie):
                first, second = self.best[key]
                self.best[key] = [chance, first] if chance > first else [first, max(second, chance)]

    def features(self, tie: Tie) -> Features:
        chance, found = self.chances[tie], {}
        for name, key in _rivalries(tie):
            first, second = self.best[key]
            found[f"rival {name}"] = odds(second if chance == first else first)
            found[f"first {name}"] = chance == first
        after, before = (max(self._beside(tie, step), self._beside(tie, 2 * step)) for step in (1, -1))
        return {"first chance": odds(chance), **found, "told after": odds(after), "told before too": odds(before)}

    def _beside(self, tie: Tie, step: int) -> float:
        key = ("of it", tie.number + step, tie.work, tie.symptom)
        return self.best[key][0] if key in self.best else 0.0


def _rivalries(tie: Tie) -> Iterator[tuple[str, Hashable]]:
    """Within what only one reading may be true, or few."""
    number, work, symptom, result = tie
    yield "result", ("of it", number, work, symptom)
    yield "symptom", ("by it", number, work, result)
    yield "work", ("so", number, symptom, result)
    yield "work and result", ("symptom", number, symptom)
    yield "symptom and result", ("work", number, work)
    yield "at all", number


def _best(ties: Iterable[Tie], chances: Mapping[Tie, float], least: float) -> dict[Tie, float]:
    """The likeliest result of each sentence, work and symptom, where it is likely enough."""
    found: dict[tuple[int, int, str], Tie] = {}
    for tie in ties:
        if chances[tie] >= least and (tie[:3] not in found or chances[tie] > chances[found[tie[:3]]]):
            found[tie[:3]] = tie
    return {tie: chances[tie] for tie in found.values()}


def put(results: Iterable[Tie], tale: Tale) -> None:
    """Gives the work its results, each with the sentence that tells it; what the rules did not read is unsure."""
    for work in tale.works:
        work.step.effects = {}
    for tie in results:
        step, sentence = tale.works[tie.work].step, tale.parts[tie.number]
        step.effects[tie.symptom] = tie.result
        if tale.proposed.get(tie[:3]) != tie.result:
            step.doubts.append(LIKELY.format(result=tie.result, symptom=tie.symptom, work=step.terms[0]))
        if sentence is not step.sentence and sentence not in step.more:
            step.more.append(sentence)
    for work in tale.works:
        if not work.step.effects and len(tale.parts) > SHORT:  # a short note means what it says: of "that did it" something was cured
            work.step.forget_effects()
