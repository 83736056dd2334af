"""What became of each symptom by each piece of work, settled over the whole note from what its sentences tell.

A note tells results by a word here and there, but they go together: a trouble is mostly cured in the end, by one piece of work,
and once it is cured nothing more is told of it. So each piece of work and symptom is weighed beside the others, and of all that
might be told of a symptom the likeliest that goes together is taken.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from itertools import pairwise

from casebase.record.case import Result
from casebase.retain.storychoice import ACCEPTED, BECAME, EVEN, SHORT
from casebase.retain.storycues import effects_in
from casebase.retain.storyencoded import RESULTS
from casebase.retain.storyresults import Tale, Tie, Work
from casebase.retrieve.logistic import Features, log_of, odds
from casebase.trade.terms import kin

CURED, LEAST_CURE = 1.5, 0.3  # log-odds by which a cure is likelier than that there is none; one less likely than this is none
_VALVES = {"inlet valve clearance", "exhaust valve clearance"}
_NEAR = 2  # sentences apart at most, work that shares a word is mostly of one part
UNCURED: Mapping[Result, float] = {"better": 0.3, "no change": 0.4, "worse": 0.3}  # from these chances on work that did not cure did so

Best = Mapping[tuple[int, str], Mapping[Result, tuple[float, Tie]]]  # by work and symptom the likeliest sentence of each result


def settled(tale: Tale) -> list[Tie]:
    """The results of a note, each with the sentence that most likely tells it."""
    best: defaultdict[tuple[int, str], dict[Result, tuple[float, Tie]]] = defaultdict(dict)
    for tie, chance in tale.told().items():
        of_pair = best[tie.work, tie.symptom]
        of_pair[tie.result] = max(of_pair.get(tie.result, (0.0, tie)), (chance, tie))
    twins = _twins(tale)
    _join(best, twins)
    became = {pair: _became(tale, best, pair, twins) for pair in best}
    found: list[Tie] = []
    for symptom in tale.first:
        order = _in_order({work: of_work for (work, other), of_work in became.items() if other == symptom})
        found += [best[work, symptom][result][1] for work, result in order.items()]
    found += [tie._replace(work=twins[tie.work]) for tie in found if tie.work in twins]
    return [*found, *(shared for _tie, shared in tale.shared(found))]


def _twins(tale: Tale) -> dict[int, int]:
    """The place of both valves set in one go, that of the second by that of the first; what the one did the other did."""
    found: dict[int, int] = {}
    for place, (first, second) in enumerate(pairwise(tale.works)):
        both = {term for work in (first, second) if work.step.kind == "set" for term in work.step.terms} == _VALVES
        if both and place not in found.values() and not _told_between(tale, first, second):
            found[place] = place + 1
    return found


def _told_between(tale: Tale, first: Work, second: Work) -> bool:
    """Whether a result may be told between two pieces of work, or other things are."""
    text = tale.parts[first.number].text
    end = second.step.start if second.number == first.number else len(text)
    return second.number - first.number > 1 or bool(effects_in(text[first.step.end: end]))


def _join(best: defaultdict[tuple[int, str], dict[Result, tuple[float, Tie]]], twins: Mapping[int, int]) -> None:
    """Gives what may be told of the second of two valves to the first."""
    for first, second in twins.items():
        for work, symptom in [pair for pair in best if pair[0] == second]:
            told = best[first, symptom]
            for result, (chance, tie) in best.pop((work, symptom)).items():
                told[result] = max(told.get(result, (0.0, tie)), (chance, tie._replace(work=first)))


def _became(tale: Tale, best: Best, pair: tuple[int, str], twins: Mapping[int, int]) -> dict[Result, float]:
    """The chance of each result of a piece of work on a symptom; what a short note says plainly is certain, and it says nothing that is unlikely."""
    plain: dict[Result, float] = {result: chance for result, (chance, _tie) in best[pair].items() if chance == 1 and len(tale.parts) <= SHORT}
    if plain:
        return plain
    features = _features(tale, best, *pair)
    works = [work for work in (pair[0], twins.get(pair[0])) if work is not None]
    chances: dict[Result, float] = {result: tale.choice.chance(BECAME[result], "\n".join(tale.thing(tie._replace(work=work)) for work in works), features, None)
                                    for result, (_chance, tie) in best[pair].items()}
    return {result: chance for result, chance in chances.items() if chance >= EVEN or len(tale.parts) > SHORT}


def _in_order(chances: Mapping[int, Mapping[Result, float]]) -> dict[int, Result]:
    """What work did to a symptom, by the place of the work: the likeliest that goes together."""
    uncured: dict[int, Result] = {}  # what each piece of work did if it did not cure
    for work, of_work in chances.items():
        result = max((result for result in of_work if result != "cured"), key=lambda result: _above(of_work[result], result), default=None)
        if result is not None and of_work[result] >= UNCURED[result]:
            uncured[work] = result

    def worth(found: Mapping[int, Result]) -> float:
        return sum(_above(chances[work][result], result) for work, result in found.items())

    taken, most = uncured, worth(uncured) - CURED
    for cure, of_work in chances.items():
        if of_work.get("cured", 0.0) >= LEAST_CURE:
            others = {work: result for work, result in uncured.items() if work != cure}  # some tell first what cured it
            total = odds(of_work["cured"]) + worth(others)
            if total > most:
                taken, most = {**others, cure: "cured"}, total
    return taken


def _above(chance: float, result: Result) -> float:
    """How far the chance of a result that is no cure stands above what is asked of it, as log-odds."""
    return odds(chance) - odds(UNCURED[result])


def _features(tale: Tale, best: Best, work: int, symptom: str) -> Features:
    """What speaks for a result of a piece of work on a symptom."""
    step, number = tale.works[work].step, tale.works[work].number
    became = tale.encoded[work, symptom]
    told = best[work, symptom]

    def cure(pair: tuple[int, str]) -> float:
        return best[pair].get("cured", (0.0, None))[0] if pair in best else 0.0

    works, symptoms = range(len(tale.works)), list(tale.first)
    others = [cure((other, symptom)) for other in works if other != work]
    later = [other for other in works if other > work]
    following = min((tale.works[other].number for other in later if tale.works[other].number > number), default=len(tale.parts))
    mentions = [place for place, labels in tale.mentions.items() if symptom in labels and place > number]
    helped = tale.helped[work][symptom]
    of_part = [other for other in works if abs(tale.works[other].number - number) <= _NEAR and not tale.words[other].isdisjoint(tale.words[work])]
    terms = tale.choice.vocabulary.terms["symptom"]
    return {
        "symptom sure": odds(tale.sure[symptom]), "step sure": odds(step.chance),
        "surest kin": odds(max((tale.sure[other] for other in kin(terms, symptom, symptoms)), default=0.0)),
        **{f"told {result}": odds(told[result][0]) if result in told else odds(0.0) for result in RESULTS},
        **{f"plain {result}": result in told and told[result][0] == 1 for result in RESULTS}, **_last_told(told),
        **{f"encoded {result}": became.ever[column] for column, result in enumerate(RESULTS)}, "encoded none": became.none,
        **{f"encoded part {result}": became.part_ever[column] for column, result in enumerate(RESULTS)},
        **{f"rules {result}": any(proposed == result for (_number, place, other), proposed in tale.proposed.items() if (place, other) == (work, symptom)) for result in RESULTS},
        "first cure": cure((work, symptom)) >= max(others, default=0.0), "rival cure": odds(max(others, default=0.0)),
        "later cure": odds(max((cure((other, symptom)) for other in later), default=0.0)),
        "earlier cure": odds(max((cure((other, symptom)) for other in works if other < work), default=0.0)),
        "cures another": odds(max((cure((work, other)) for other in symptoms if other != symptom), default=0.0)),
        "helps": helped, "another would help": any(tale.helped[other][symptom] for other in works if other != work),
        "later helps": any(tale.helped[other][symptom] for other in later), "helps another": any(tale.helped[work][other] for other in symptoms if other != symptom),
        "last": not later, "later work": min(len(later), 5), "work": log_of(len(tale.works)), "symptoms": len(symptoms),
        "told since": max(-8, min(8, number - tale.first[symptom])), "told later": tale.first[symptom] > number,
        "still told": any(place <= following for place in mentions), "told after the next": any(place > following for place in mentions), "never again": not mentions,
        "set": step.kind == "set", "sets what was done": step.kind == "set" and any(other < work and tale.works[other].step.kind == "do" for other in of_part),
        "is set after": step.kind == "do" and any(other > work and tale.works[other].step.kind == "set" for other in of_part), "torque": step.terms[0].endswith(" torque"), "place": number / len(tale.parts),
        "told with": sum(other.number == number for other in tale.works) - 1,
    }


def _last_told(told: Mapping[Result, tuple[float, Tie]]) -> Features:
    """Which of several likely results is told last: "got 228 volts. So the output is cured"."""
    likely = {result: tie.number for result, (chance, tie) in told.items() if chance >= ACCEPTED["effects beside"]}
    return {f"told last {result}": number > min(likely.values()) and number == max(likely.values()) for result, number in likely.items()}
