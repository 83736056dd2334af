"""Weighing courses of action: which fixes in which order, when to stop, whether to repair at all.

Prices, minutes and chances come from the shop's cases or from the person's own figures; both are shown, the
person's figure is reckoned with. Money already spent is no part of it, and nothing here decides.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from casebase.problems import Problem, Refused, refuse
from casebase.retrieve.index import Index
from casebase.retrieve.likely import question as read_question
from casebase.retrieve.rank import rank
from casebase.reuse.evidence import FixEvidence, gather
from casebase.reuse.intervals import BetaPosterior, Interval
from casebase.reuse.nextcheck import needs_part
from casebase.reuse.worth import (
    Course,
    Difference,
    Keeping,
    Outlook,
    Step,
    break_even_price,
    cheapest_course,
    compare,
    interval_of_cost,
    outlook,
    repair_or_replace,
)
from casebase.trade.terms import Term, Vocabulary

MOST_FIXES = 8
USUAL_MINUTES = 20.0


class Given(NamedTuple):
    """A fix as typed: its name, and the figures given by hand (None where the cases shall speak)."""

    name: str
    price: float | None = None
    minutes: float | None = None
    chance: float | None = None
    counts: tuple[int, int] | None = None


class Weighed(NamedTuple):
    """One fix with what is reckoned and where it comes from. `evidence` is None where no similar case tried it.

    `pays_under` is the price below which doing it costs less than leaving it out (None: no price would do,
    or there is nothing to compare with); `without` how sure that is.
    """

    step: Step
    given: Given
    evidence: FixEvidence | None
    pays_under: float | None
    without: Difference | None

    @property
    def price_known(self) -> bool:
        """False where a part is needed and nobody said what it costs; it is reckoned as nothing then."""
        return self.step.price > 0 or self.given.price is not None or not any(
            needs_part(name) for name in self.step.name.split(" + "))

    @property
    def chance_in_words(self) -> str:
        """How likely it is to cure, and who says so."""
        if self.given.chance is not None:
            return f"{round(100 * self.given.chance)} of 100, by hand"
        if self.given.counts is not None:
            return f"{self.given.counts[0]} of {self.given.counts[1]}, by hand"
        belief = self.step.belief
        assert belief is not None  # a fix without any chance is refused
        low, high = belief.interval(0.9)
        return f"{round(100 * low)} to {round(100 * high)} of 100, from the cases"


class Weighing(NamedTuple):
    """The answer of `weigh`. `course` is the order of lowest expected cost, `left_out` what it does without."""

    fixes: tuple[Weighed, ...]
    course: Course
    outlook: Outlook
    cost: Interval
    left_out: tuple[str, ...]
    keeping: Keeping | None
    hourly: float
    currency: str
    symptom: str

    def cautions(self, vocabulary: Vocabulary) -> tuple[Term, ...]:
        """The cautions of all the fixes."""
        return tuple(vocabulary.cautions(work_term(name, vocabulary) for item in self.fixes
                                         for name in item.step.name.split(" + ")))


class Replacement(NamedTuple):
    """Another machine: its price, how long it lasts, how long this one would after a cure, and what it fetches."""

    price: float
    life_new: float
    life_repaired: float
    resale: float = 0.0


_COUNTS = re.compile(r"(\d+) of (\d+)")
_PERCENT = re.compile(r"(-?\d+(?:\.\d+)?) ?%")
_MINUTES = re.compile(r"(-?\d+(?:\.\d+)?) ?(?:min|minutes)")
_MONEY = re.compile(r"-?\d+(?:\.\d+)?")


def read_given(text: str) -> Given:
    """Reads `fit carburettor kit: 11.80, 38 min, 60 %` or `...: 3 of 5`. Raises `Refused` naming the part."""
    name, _colon, figures = text.partition(":")
    given = Given(" ".join(name.split()))
    if not given.name:
        raise refuse("no-fix", f'"{text}" names no fix', "for example: fit carburettor kit: 11.80, 38 min, 60 %",
                     field="FIX")
    for part in filter(None, (" ".join(piece.split()) for piece in figures.split(","))):
        if match := _COUNTS.fullmatch(part):
            cured, tried = int(match[1]), int(match[2])
            if cured > tried or not tried:
                wrong = "more cures than tries" if tried else "nothing was tried"
                raise refuse("chance", f'"{part}": {wrong}', "give cures of tries, such as 3 of 5", field=given.name)
            given = given._replace(counts=(cured, tried))
        elif match := _PERCENT.fullmatch(part):
            if not 0 <= float(match[1]) <= 100:
                raise refuse("chance", f'"{part}" is not a chance', "give 0 % to 100 %", field=given.name)
            given = given._replace(chance=float(match[1]) / 100)
        elif match := _MINUTES.fullmatch(part):
            if float(match[1]) < 0:
                raise refuse("minutes", f'"{part}" is a negative time', "give 0 min or more", field=given.name)
            given = given._replace(minutes=float(match[1]))
        elif _MONEY.fullmatch(part):
            if float(part) < 0:
                raise refuse("price", f'"{part}" is a negative price', "give 0 or more", field=given.name)
            given = given._replace(price=float(part))
        else:
            raise refuse("figure", f'"{part}" is no price, time or chance',
                         "write 11.80 for a price, 38 min for work, 60 % or 3 of 5 for a chance", field=given.name)
    return given


def weigh(fixes: Sequence[Given], complaint: str, index: Index, *, otherwise: float = 0.0,
          replacement: Replacement | None = None) -> Weighing:
    """Weighs up to MOST_FIXES fixes against a complaint.

    Parameters: `otherwise`, what it costs when all of them failed; `replacement`, another machine to hold
    against the repair. Each chance is taken to be that of the fix once those before it have failed.
    Raises `Refused` for an unknown fix, a missing chance, or figures outside their range.
    """
    if not 1 <= len(fixes) <= MOST_FIXES:
        raise refuse("fixes", f"{len(fixes)} fixes cannot be weighed", f"name 1 to {MOST_FIXES}", field="FIX")
    _refuse_wrong_money(otherwise, replacement)
    evidence = _evidence(complaint, index)
    hourly = float(index.settings.hourly_rate)
    steps = [_step(given, evidence, index) for given in fixes]
    names = [step.name for step, _found in steps]
    for name in names:
        if names.count(name) > 1:
            raise refuse("twice", f'"{name}" is named twice', "name each fix once", field="FIX")
    try:
        whole = Course("all", tuple(step for step, _found in steps), otherwise, conditional=True)
        best = cheapest_course(whole, hourly)
        if not best.steps and not otherwise:  # without a price for failing, doing nothing would always be cheapest
            best = cheapest_course(whole, hourly, may_stop=False)
        prospect = outlook(best, hourly)
        weighed = tuple(_weighed(step, given, found, best, hourly)
                        for given, (step, found) in zip(fixes, steps, strict=True))
        keeping = None
        if replacement is not None:
            spent = prospect.cost - (1 - prospect.cured) * otherwise
            keeping = repair_or_replace(spent, prospect.cured, replacement.life_repaired, replacement.price,
                                        replacement.life_new, replacement.resale)
        done = {step.name for step in best.steps}
        return Weighing(weighed, best, prospect, interval_of_cost(best, hourly),
                        tuple(step.name for step, _found in steps if step.name not in done), keeping, hourly,
                        index.settings.currency, evidence.symptom)
    except ValueError as error:
        raise Refused(Problem("figure", str(error), "correct the figure", field="FIX")) from None


def _refuse_wrong_money(otherwise: float, replacement: Replacement | None) -> None:
    prices = {"otherwise": otherwise}
    years = {}
    if replacement is not None:
        prices |= {"new price": replacement.price, "resale": replacement.resale}
        years = {"new life": replacement.life_new, "repaired life": replacement.life_repaired}
    for field, amount in prices.items():
        if not (amount >= 0 and math.isfinite(amount)):
            raise refuse("price", f"{amount:g} is not a price", "give 0 or more", field=field)
    for field, life in years.items():
        if not (life > 0 and math.isfinite(life)):
            raise refuse("years", f"{life:g} is not a number of years", "give more than 0", field=field)


def work_term(name: str, vocabulary: Vocabulary) -> Term | None:
    """The action of this name, or the setting where the name begins with "set "; None for neither."""
    setting = name.removeprefix("set ")
    return vocabulary.resolve("action", name) or (vocabulary.resolve("setting", setting) if setting != name else None)


class _Evidence(NamedTuple):
    symptom: str
    fixes: dict[tuple[str, ...], FixEvidence]


def _evidence(complaint: str, index: Index) -> _Evidence:
    if not complaint:
        return _Evidence("", {})
    question = read_question(complaint, index.lexicon)
    symptoms = question.symptoms
    found = gather(rank(question, index).matches, symptoms, index)
    return _Evidence(", ".join(symptoms), {fix.actions: fix for part in reversed(found) for fix in part.fixes})


def _step(given: Given, evidence: _Evidence, index: Index) -> tuple[Step, FixEvidence | None]:
    vocabulary = index.lexicon.vocabulary
    terms = []
    for name in map(str.strip, given.name.split("+")):
        term = work_term(name, vocabulary)
        if term is None:
            hint = vocabulary.suggestion("setting", name[4:]) if name.startswith("set ") else ""
            raise refuse("unknown-fix", f'there is no fix "{name}"', hint or vocabulary.suggestion("action", name)
                         or "see the actions of the vocabulary", field="FIX")
        terms.append(term)
    actions = tuple(sorted(term.label if term.kind == "action" else f"set {term.label}" for term in terms))
    found = evidence.fixes.get(actions)
    belief = _belief(given, found)
    if belief is None and given.chance is None:
        raise refuse("no-chance", f'no similar case says how often "{given.name}" cures '
                     f"{evidence.symptom or 'this'}", f'give a chance: "{given.name}: 60 %"', field="FIX")
    chance = given.chance if given.chance is not None else belief.mean if belief else 0.0
    usual = sum(term.minutes or 0.0 for term in terms) or USUAL_MINUTES
    minutes = given.minutes if given.minutes is not None else found.minutes if found and found.minutes else usual
    price = given.price if given.price is not None else found.parts if found and found.parts else 0.0
    name = " + ".join(actions)
    return Step(name, price, minutes, chance, None if given.chance is not None else belief), found


def _belief(given: Given, found: FixEvidence | None) -> BetaPosterior | None:
    if given.counts:
        return BetaPosterior.counted(*given.counts)
    return BetaPosterior.counted(found.evidence.k, found.evidence.n) if found and found.tried else None


def _weighed(step: Step, given: Given, found: FixEvidence | None, best: Course, hourly: float) -> Weighed:
    """The fix held against the same course without it; one that was left out is tried before it."""
    rest = replace(best, steps=tuple(one for one in best.steps if one.name != step.name))
    with_it = best if len(rest.steps) < len(best.steps) else replace(rest, steps=(step, *rest.steps))
    position = [one.name for one in with_it.steps].index(step.name)
    other = outlook(rest, hourly).cost
    pays = break_even_price(with_it, other, position, hourly) if best.fallback or rest.steps else None
    return Weighed(step, given, found, pays, compare(with_it, rest, hourly))
