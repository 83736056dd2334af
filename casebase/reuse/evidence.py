"""What cured such cases: every fix that was tried on a symptom among the similar cases, with its counts.

Counts are of cases; how sure one may be follows from the cases weighted by their similarity. A bundle of
actions done together is one fix and stays one. Under three cases there is no number but words.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, NamedTuple

from casebase.record.case import RESULTS, Result
from casebase.retrieve.index import Index
from casebase.retrieve.rank import Match
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
    tallies: dict[tuple[str, ...], _Tally] = {}
    speaking = set()
    number = index.tables.known("symptom", symptom) if symptom else -1
    for match in matches:
        weight = kernel(match.score)
        if not weight or (symptom and number < 0):
            continue
        for actions, row in _rows(match, index, number if symptom else None):
            speaking.add(match.id)
            _add(tallies.setdefault(actions, _Tally()), match, weight, row, index)
    fixes = sorted((_finish(actions, tally) for actions, tally in tallies.items()), key=_order)
    return SymptomEvidence(symptom, tuple(fix for fix in fixes if not set(fix.actions) <= done),
                           tuple(fix for fix in fixes if set(fix.actions) <= done), len(speaking))


def _rows(match: Match, index: Index, symptom: int | None) -> Iterable[tuple[tuple[str, ...], dict[str, Any]]]:
    """The effect rows of a case for a symptom; rows without a symptom count for every symptom of the case.

    Where an action was tried more than once in a case, its last known result counts.
    """
    segment, place = index.locate(match.position)
    at = segment["effects_at"]
    own = set(index.row("symptoms", match.position))
    last: dict[tuple[str, ...], dict[str, Any]] = {}
    for row in range(int(at[place]), int(at[place + 1])):
        target = int(segment["effect_symptom"][row])
        if symptom is not None and target != symptom and not (target < 0 and symptom in own):
            continue
        bundle = int(segment["effect_bundle"][row])
        actions = tuple(index.tables.lists["bundle"][bundle]) if bundle >= 0 else ()
        if actions in last and RESULTS[int(segment["effect_result"][row])] == "not tested":
            continue
        last[actions] = {name: segment[f"effect_{name}"][row] for name in ("result", "minutes", "parts", "step")}
    return last.items()


def _add(tally: _Tally, match: Match, weight: float, row: dict[str, Any], index: Index) -> None:
    segment, place = index.locate(match.position)
    result: Result = RESULTS[int(row["result"])]  # type: ignore[assignment]
    tally.ids.setdefault(result, []).append(match.id)
    if result != "not tested":
        tally.weights.append(weight)
        tally.cured.append(1.0 if result == "cured" else 0.0)
        tally.machines.append(int(segment["cluster"][place]))
    for name, values in (("minutes", tally.minutes), ("parts", tally.parts)):
        if row[name] == row[name]:  # not NaN
            values.append(float(row[name]))
    if result == "cured" and bool(segment["came_back"][place]):
        tally.came_back.append(match.id)
    tally.last = max(tally.last, int(segment["day"][place]))


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
