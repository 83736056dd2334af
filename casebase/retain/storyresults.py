"""What the work did, weighed: for each step and symptom in sight the results a sentence may tell of them."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import NamedTuple

from casebase.record.case import Result
from casebase.retain.story import Sentence
from casebase.retain.storychoice import Choice, Features, Like, Likeness, accepted, likeness_features, log_of
from casebase.retain.storycues import Cue, effects_in, is_proof
from casebase.retain.storystep import Told
from casebase.retain.storyties import Symptoms, segments
from casebase.retrieve.sayings import OTHER

SURE = 0.4  # less sure than this, a sentence tells of one piece of work only what became of a symptom
LIKELY = '"{result}" of {symptom} by {work} is likely, though not told in known words'
_RESULTS: tuple[Result, ...] = ("cured", "better", "no change", "worse")
_TURNED = re.compile(r"\b(?:still|again|not|no|never|same)\b|n't", re.IGNORECASE)
_NOW = re.compile(r"\bnow\b|\bthat (?:did|was|cured|fixed|sorted)\b", re.IGNORECASE)

Tie = tuple[int, str]  # a step, by its place among those in sight, and a symptom


class Sight(NamedTuple):
    """Where a result may belong: the `repairs` in sight, the last last, with how many sentences ago each was told (0: here);
    `proposed` is what the rules tied; `new` are symptoms first told in this sentence."""

    repairs: Sequence[Told]
    ages: Sequence[int]
    proposed: Mapping[Tie, Result]
    symptoms: Symptoms
    new: Collection[str]
    place: float


def results(choice: Choice, sentence: Sentence, sight: Sight, of_symptoms: Likeness) -> dict[Tie, Result]:
    """The results a sentence most likely tells, one for each step and symptom."""
    chances = _chances(choice, sentence, sight, of_symptoms)
    plain = {tie: result for tie, result in sight.proposed.items() if _is_said_of(sentence, sight.symptoms, tie[1], result)}
    taken = accepted("effects", chances, [(*tie, result) for tie, result in sight.proposed.items() if (*tie, result) in chances])
    best: dict[Tie, tuple[float, Result]] = {tie: (1.0, result) for tie, result in plain.items()}
    for number, symptom, result in taken:
        best[number, symptom] = max(best.get((number, symptom), (0.0, result)), (chances[number, symptom, result], result))
    named = sight.symptoms.named(sentence, 0, len(sentence.text))

    def rivals(symptom: str) -> list[float]:
        return [chance for (_number, other), (chance, _result) in best.items() if other == symptom or not named]

    return {tie: result for tie, (chance, result) in best.items() if chance >= SURE or chance == max(rivals(tie[1]))}


def _is_said_of(sentence: Sentence, symptoms: Symptoms, symptom: str, result: Result) -> bool:
    """Whether the result the rules read is told in a stretch that names the symptom, and no known phrase says another."""
    return any(symptom in symptoms.named(sentence, start, end) and all(cue.result == result for cue in effects_in(sentence.text[start:end]))
               for start, end in segments(sentence))


def _chances(choice: Choice, sentence: Sentence, sight: Sight, of_symptoms: Likeness) -> dict[tuple[int, str, Result], float]:
    """The chance of every result of every step in sight on every symptom."""
    likeness = choice.likeness("effects", sentence)
    likes = [likeness.of(result) for result in _RESULTS]
    likes = [like._replace(rank=sorted(-other.best for other in likes).index(-like.best)) for like in likes]
    cues = effects_in(sentence.text)
    by_stretch = [sight.symptoms.named(sentence, start, end) for start, end, _chance in likeness.by_stretch(OTHER)]
    found: dict[tuple[int, str, Result], float] = {}
    for symptom in sight.symptoms.words:
        named = [symptom in there for there in by_stretch]
        words = _words_features(sentence, symptom, by_stretch[0], of_symptoms.of(symptom))
        for like, result in zip(likes, _RESULTS, strict=True):
            told = {**likeness_features(like, likes, likeness), **words, **_cue_features(sentence, cues, result),
                    **_stretch_features(likeness, of_symptoms, named, cues, symptom, result)}
            for number, step in enumerate(sight.repairs):
                things = "\n".join(f"{step.kind} {term} / {symptom} / {result}" for term in step.terms)
                features = {**told, **_tie_features(sight, number, symptom, result, cues)}
                found[number, symptom, result] = choice.chance("effects", things, features, sentence)
    return found


def _words_features(sentence: Sentence, symptom: str, named: Sequence[str], like: Like) -> Features:
    states = [seen.status for seen in sentence.observations if seen.kind == "symptom" and seen.label == symptom]
    return {"symptom best": log_of(like.best), "symptom named": symptom in named, "another named": bool(named) and symptom not in named,
            "symptom there": "present" in states, "symptom gone": any(state in ("absent", "resolved") for state in states),
            "turned": bool(_TURNED.search(sentence.text)), "now": bool(_NOW.search(sentence.text)), "proof": is_proof(sentence.text),
            "stretches": len(sentence.text.split())**0.5}


def _cue_features(sentence: Sentence, cues: Sequence[Cue], result: Result) -> Features:
    """Whether a known phrase of effect says this result."""
    said = any(cue.result == result for cue in cues)
    return {"said": said, "otherwise said": bool(cues) and not said, "short and said": said and len(sentence.text.split()) < 8}


def _stretch_features(likeness: Likeness, of_symptoms: Likeness, named: Sequence[bool], cues: Sequence[Cue], symptom: str, result: Result) -> Features:
    """Whether result and symptom are told in one breath: "that stopped the leak, but it still needed the choke"."""
    results, symptoms = likeness.by_stretch(result), of_symptoms.by_stretch(symptom)
    first = 1 if len(results) > 1 else 0  # the whole is no stretch of its own
    together = max(one[2] * other[2] for one, other in zip(results[first:], symptoms[first:], strict=True))
    where = [one for one, there in zip(results[first:], named[first:], strict=True) if there]
    said = any(start <= cue.start < end and cue.result == result for start, end, _chance in where for cue in cues)
    otherwise = any(start <= cue.start < end and cue.result != result for start, end, _chance in where for cue in cues)
    return {"together": log_of(together), "best where named": max((chance for _start, _end, chance in where), default=0.0),
            "said where named": said, "otherwise said where named": otherwise and not said}


def _tie_features(sight: Sight, number: int, symptom: str, result: Result, cues: Sequence[Cue]) -> Features:
    step, symptoms = sight.repairs[number], sight.symptoms
    proposed = sight.proposed.get((number, symptom))
    helped = symptoms.helped(step, symptom)
    open_ = symptoms.open
    others = [other for (_number, _symptom), other in sight.proposed.items() if other == result]
    turned = bool(symptoms.topic) and symptom == symptoms.topic[0]
    return {
        "proposed": proposed == result, "proposed and said": proposed == result and any(cue.result == result for cue in cues), "proposed otherwise": proposed is not None and proposed != result,
        "proposed elsewhere": proposed is None and bool(others), "anything proposed": bool(sight.proposed),
        result: 1.0, "helps": helped, "helps a cure": helped and result == "cured", "spoken of": symptom in symptoms.focus[:1], "topic": turned,
        "another helped": not helped and any(symptoms.helped(step, other) for other in open_),
        "here": sight.ages[number] == 0, "just before": sight.ages[number] == 1, "age": min(sight.ages[number], 6), "last": number == len(sight.repairs) - 1,
        "open": symptom in open_, "only one open": open_ == [symptom], "many open": len(open_), "new": symptom in sight.new,
        "told before": symptom in step.effects and proposed is None,
        "told before and gone on": symptom in step.effects and proposed is None and number < len(sight.repairs) - 1, "tells others": any(other != symptom for other in step.effects),
        "gone on": symptom not in open_ and result != "cured", "place": sight.place, "steps here": sum(age == 0 for age in sight.ages),
    }


def before_and_after(repairs: Sequence[Told], before: Sequence[Mapping[str, Result]]) -> Iterator[tuple[Tie, Result]]:
    """What the rules have tied since `before` was noted."""
    for number, (step, old) in enumerate(zip(repairs, before, strict=True)):
        for symptom, result in step.effects.items():
            if old.get(symptom) != result:
                yield (number, symptom), result


def tied(sentence: Sentence, sight: Sight, before: Sequence[Mapping[str, Result]], found: Mapping[Tie, Result]) -> bool:
    """Puts what was `found` in place of what the rules proposed; True where there was any."""
    for number, (step, old) in enumerate(zip(sight.repairs, before, strict=True)):
        step.effects = dict(old)
        for (place, symptom), result in found.items():
            if place == number:
                step.effects[symptom] = result
                if sight.proposed.get((place, symptom)) != result:
                    step.doubts.append(LIKELY.format(result=result, symptom=symptom, work=step.terms[0]))
                if sentence is not step.sentence and sentence not in step.more:
                    step.more.append(sentence)
    return bool(found)
