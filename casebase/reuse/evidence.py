"""What cured such cases: every fix that was tried on a symptom among the similar cases, with its counts.

Counts are of cases; how sure one may be follows from the cases weighted by their similarity. A bundle of
actions done together is one fix and stays one. Under three cases there is no number but words.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import NamedTuple

from casebase.record.case import RESULTS, Result
from casebase.retrieve.index import Index
from casebase.retrieve.rank import Match
from casebase.retrieve.segment import Segment
from casebase.reuse.intervals import BetaPosterior, Evidence, Interval, weigh_evidence

# Similarity at and below SIMILAR_FROM counts nothing; above it the weight rises as a power (our choice).
SIMILAR_FROM = 0.3
STEEPNESS = 1.5
FEW = 3
PRIOR_CASES = 2.0


@dataclass(frozen=True, slots=True)
class FixEvidence:
    """One fix for one symptom.

    `cases` are ids by result, most similar first. `evidence` is the weighted
    share of cures with its effective number of cases; `wilson` and `beta` are 95 % intervals of the chance
    of a cure, None under three cases. `minutes` and `parts` are medians, None when no case says.
    """

    actions: tuple[str, ...]
    cases: dict[Result, tuple[str, ...]]
    evidence: Evidence
    wilson: Interval | None
    beta: Interval | None
    minutes: float | None
    parts: float | None
    came_back: tuple[str, ...]
    last: date | None

    @property
    def tried(self) -> int:
        """In how many cases it was tried with a known result."""
        return sum(len(ids) for result, ids in self.cases.items() if result != "not tested")

    def count(self, result: Result) -> int:
        return len(self.cases.get(result, ()))

    @property
    def name(self) -> str:
        return " + ".join(self.actions)

    @property
    def in_words(self) -> str:
        """What the cases say, without a number where there are too few for one."""
        cured = self.count("cured")
        if self.tried >= FEW:
            return f"cured {cured} of {self.tried}"
        if self.tried == 0:
            return "done, but its effect was not tested"
        if cured == self.tried:
            return "worked once" if cured == 1 else "worked both times"
        if cured:
            return "worked in one case, not in another"
        if self.count("better") and self.count("worse"):
            return "helped in one case, made it worse in another"
        if self.count("better"):
            return "helped, but did not cure"
        if self.count("worse"):
            return "made it worse"
        return "tried once, no change" if self.tried == 1 else "tried twice, no change"


class SymptomEvidence(NamedTuple):
    """The fixes for one symptom ("" for whatever the similar cases complained of), best supported first.

    `set_aside` are fixes that the question says were tried already. `cases` is how many similar cases speak.
    """

    symptom: str
    fixes: tuple[FixEvidence, ...]
    set_aside: tuple[FixEvidence, ...]
    cases: int


@dataclass(slots=True, eq=False, repr=False)
class _Tally:
    """What is gathered for one fix while the cases are gone through."""

    weights: list[float] = field(default_factory=list)
    cured: list[float] = field(default_factory=list)
    machines: list[int] = field(default_factory=list)
    ids: dict[Result, list[str]] = field(default_factory=dict)
    minutes: list[float] = field(default_factory=list)
    parts: list[float] = field(default_factory=list)
    came_back: list[str] = field(default_factory=list)
    last: int = 0


def kernel(score: float) -> float:
    """The weight of a case of that similarity, in [0, 1]: ((S − S0)/(1 − S0))₊^h (Nadaraya–Watson form)."""
    return float(max(0.0, (score - SIMILAR_FROM) / (1 - SIMILAR_FROM)) ** STEEPNESS)


def gather(matches: Sequence[Match], symptoms: Iterable[str], index: Index,
           tried: Iterable[str] = ()) -> tuple[SymptomEvidence, ...]:
    """The evidence per symptom asked about; without any, for whatever the similar cases complained of."""
    asked = tuple(symptoms) or ("",)
    done = set(tried)
    return tuple(_of_symptom(symptom, matches, index, done) for symptom in asked)


def _of_symptom(symptom: str, matches: Sequence[Match], index: Index, done: set[str]) -> SymptomEvidence:
    tallies: dict[int, _Tally] = {}
    speaking = set()
    number = index.tables.known("symptom", symptom) if symptom else None
    for match in matches if number != -1 else ():
        weight = kernel(match.score)
        if weight:
            segment, place = index.locate(match.position)
            for bundle, row in _rows(segment, place, number):
                speaking.add(match.id)
                _add(tallies.setdefault(bundle, _Tally()), match.id, weight, segment, place, row)
    bundles = index.tables.lists["bundle"]
    fixes = sorted((_finish(tuple(bundles[bundle]) if bundle >= 0 else (), tally) for bundle, tally in tallies.items()),
                   key=_order)
    return SymptomEvidence(symptom, tuple(fix for fix in fixes if not set(fix.actions) <= done),
                           tuple(fix for fix in fixes if set(fix.actions) <= done), len(speaking))


def _rows(segment: Segment, place: int, symptom: int | None) -> Iterable[tuple[int, int]]:
    """The bundles of a case with their effect row for a symptom; rows without a symptom count for each of the case's.

    Where an action was tried more than once in a case, its last known result counts.
    """
    symptoms, bundles = segment.plain("effect_symptom"), segment.plain("effect_bundle")
    at, results = segment.plain("effects_at"), segment.plain("effect_result")
    own = symptom in segment.numbers("symptoms", place)
    last: dict[int, int] = {}
    for row in range(at[place], at[place + 1]):
        told = symptoms[row]
        if symptom is not None and told != symptom and not (told < 0 and own):
            continue
        if bundles[row] not in last or RESULTS[results[row]] != "not tested":
            last[bundles[row]] = row
    return last.items()


def _add(tally: _Tally, case_id: str, weight: float, segment: Segment, place: int, row: int) -> None:
    result: Result = RESULTS[segment.plain("effect_result")[row]]
    tally.ids.setdefault(result, []).append(case_id)
    if result != "not tested":
        tally.weights.append(weight)
        tally.cured.append(1.0 if result == "cured" else 0.0)
        tally.machines.append(segment.plain("cluster")[place])
    for value, values in ((segment.plain("effect_minutes")[row], tally.minutes),
                          (segment.plain("effect_parts")[row], tally.parts)):
        if value == value:  # not NaN
            values.append(value)
    if result == "cured" and segment.plain("came_back")[place]:
        tally.came_back.append(case_id)
    tally.last = max(tally.last, segment.plain("day")[place])


def _finish(actions: tuple[str, ...], tally: _Tally) -> FixEvidence:
    evidence = weigh_evidence(tally.weights, tally.cured, tally.machines)
    enough = len(tally.weights) >= FEW
    posterior = BetaPosterior.counted(evidence.k, evidence.n, 0.5, PRIOR_CASES)
    return FixEvidence(
        actions=actions, cases={result: tuple(ids) for result, ids in tally.ids.items()}, evidence=evidence,
        wilson=evidence.interval() if enough else None, beta=posterior.interval() if enough else None,
        minutes=_median(tally.minutes), parts=_median(tally.parts),
        came_back=tuple(tally.came_back), last=date.fromordinal(tally.last) if tally.last else None)


def _median(values: Sequence[float]) -> float | None:
    """The middle value; written out because numpy's median loads its masked arrays (20 ms of a query)."""
    ordered, half = sorted(values), len(values) // 2
    if not ordered:
        return None
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2


def _order(fix: FixEvidence) -> tuple[float, float, str]:
    """By the lower Wilson bound, so that 18 of 20 comes before 1 of 1; then by the weight behind it."""
    return (-fix.evidence.interval().low, -fix.evidence.n_rel, fix.name)
