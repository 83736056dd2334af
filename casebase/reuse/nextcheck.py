"""The next check: which look, at what cost, would help most now, and what each answer would mean.

Checks and fixes of the vocabulary become numbers here: what a check is likely to show under each cause, how
surely a fix removes each cause, both pulled from a plain assumption towards the shop's own cases. The choice
itself is made in `lookahead`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple, cast

import numpy as np
import numpy.typing as npt

from casebase.record.case import VERDICTS
from casebase.retrieve.index import Index
from casebase.retrieve.rank import Match, rank
from casebase.retrieve.understand import Understood
from casebase.reuse.causes import Belief, believe, two_systems
from casebase.reuse.experience import Experience
from casebase.reuse.learning import m_estimate
from casebase.reuse.lookahead import options
from casebase.reuse.troubleshoot import Check, Fix, after_check, after_failed_fix, chance_of_two, works
from casebase.trade.terms import Term, Vocabulary

FloatArray = npt.NDArray[np.float64]
Answer = Literal["ok", "bad", "can't tell"]
Profile = Literal["owner", "bench"]

# Assumed until cases say more (our choice): how often a check comes out bad under a cause it looks at directly
# (the cause is of the check's own group), under one it points to from afar, and otherwise; and how surely a fix
# that is meant for a cause removes it.
BAD_IF_SEEN, BAD_IF_POINTED, BAD_OTHERWISE, CURES_IF_MEANT = 0.9, 0.5, 0.1, 0.85
M_CHECK, M_FIX = 4.0, 3.0
USUAL_MINUTES = 15.0
# A part of unknown price counts like so many minutes of work, so that it does not look free.
UNPRICED_MINUTES = 30.0
MOST_FIXES, MOST_CHECKS = 40, 60
TWO_FAULTS = 0.5
# From this chance on a fix may come before the checks.
SURE = 0.5
VERDICT_ANSWERS: dict[str, Answer] = {VERDICTS[0]: "ok", VERDICTS[1]: "bad", VERDICTS[2]: "can't tell"}


class Outcome(NamedTuple):
    """What one answer would do: how likely it is and the likeliest causes after it."""

    answer: Answer
    chance: float
    causes: tuple[tuple[str, float], ...]


class Proposal(NamedTuple):
    """A check or a fix to do next.

    `cost` is money for doing it; `saves` is by how much it lowers the expected cost to a cure against going
    straight for the fixes. `cases` are those in which the check was made with one of the causes in question,
    or the fix was tried. `price_known` is False where no case says what the parts cost.
    """

    kind: Literal["check", "fix"]
    term: Term
    minutes: float
    cost: float
    saves: float
    outcomes: tuple[Outcome, ...]
    works: float
    cases: tuple[str, ...]
    price_known: bool
    first_for_safety: bool = False


class NextStep(NamedTuple):
    """What to do next. `proposals` are best first, safety checks before all; empty when nothing is left.

    `two_faults` says why more than one fault is likely, "" if it is not. `settled` is True when one cause
    stays the likeliest whatever the proposed checks may still show.
    """

    belief: Belief
    proposals: tuple[Proposal, ...]
    two_faults: str
    settled: bool
    matches: tuple[Match, ...]


class Known(NamedTuple):
    """What is known of the machine on the bench: answers to checks, and fixes that did not help."""

    answers: tuple[tuple[str, Answer], ...] = ()
    failed: tuple[str, ...] = ()


def next_step(question: Understood, index: Index, known: Known = Known(), *, profile: Profile = "bench",
              limit: int = 5) -> NextStep:
    """What to do next for a question.

    Raises `Refused` for an answer to a check the vocabulary does not have.
    """
    matches = rank(question, index).matches
    belief = believe(question, matches, index)
    bench = _Bench(question, belief, index, known, profile)
    belief, failed_chances = bench.learned()
    reason = _two_faults(question, matches, index, failed_chances, known)
    if len(belief.causes) < 2:
        return NextStep(belief, (), reason, False, matches)
    proposals = bench.proposals(belief, limit)
    return NextStep(belief, proposals, reason, _settled(proposals), matches)


def _two_faults(question: Understood, matches: Sequence[Match], index: Index, failed: Sequence[float],
                known: Known) -> str:
    if failed and chance_of_two(failed) >= TWO_FAULTS:
        return (f"{' and '.join(known.failed)} should have helped and did not: there may be two faults, "
                "so look at one symptom at a time")
    pair = two_systems(question, matches, index)
    return f'"{pair[0]}" and "{pair[1]}" have hardly a cause in common: there may be two faults' if pair else ""


def _settled(proposals: Sequence[Proposal]) -> bool:
    """The safe stop: no answer to any proposed check would put another cause first."""
    leaders = {outcome.causes[0][0] for p in proposals if p.kind == "check" for outcome in p.outcomes
               if outcome.chance > 0.01 and outcome.causes}
    return len(leaders) == 1


class _Bench:
    """The checks and fixes that apply to one question, as numbers over its causes."""

    def __init__(self, question: Understood, belief: Belief, index: Index, known: Known, profile: Profile) -> None:
        self.question, self.belief, self.index, self.known, self.profile = question, belief, index, known, profile
        self.vocabulary: Vocabulary = index.lexicon.vocabulary
        self.paths = [set(self.vocabulary.path("cause", cause)) for cause in belief.causes]
        self.records = Experience(index, belief.causes)
        rate = float(index.settings.hourly_rate)
        self.per_minute = rate / 60

    def learned(self) -> tuple[Belief, list[float]]:
        """The belief after all that is known, and the chance each failed fix had when it was tried."""
        belief, failed = self.belief, []
        for name, answer in self.known.answers:
            term = self.vocabulary.resolve("check", name)
            if term is None or answer == "can't tell":
                continue
            check = self._check(term)
            if check is not None:
                belief = belief.with_chances(after_check(belief.chances, check, answer))
        for name in self.known.failed:
            fix = self._fix(name)
            if fix is not None:
                failed.append(works(belief.chances, fix))
                belief = belief.with_chances(after_failed_fix(belief.chances, fix))
        return belief, failed

    def proposals(self, belief: Belief, limit: int) -> tuple[Proposal, ...]:
        """Safety checks, then the actions that save most against going straight for the fixes, `limit` in all.

        A look costs little and parts are not given back, so a fix stands before the checks only where it is surer
        than not or costs no more than a check; a third of the room is kept for fixes.
        """
        checks = [(term, check) for term in self._open_checks() if (check := self._check(term)) is not None]
        fixes = [(term, fix) for term in self._open_fixes() if (fix := self._fix(term.label)) is not None]
        checks = checks[:MOST_CHECKS]
        fixes = sorted(fixes, key=lambda item: (-works(belief.chances, item[1]), item[0].label))[:MOST_FIXES]
        found = options(belief.chances, [check for _term, check in checks], [fix for _term, fix in fixes])
        first = [option for option in found if option.kind == "check" and self._for_safety(checks[option.position][0])]
        looks = [option for option in found if option.kind == "check" and option not in first and option.saves > 0]
        tries = [option for option in found if option.kind == "fix"]
        cheapest = min((check.cost for _term, check in checks), default=0.0)
        sure = [option for option in tries if option.saves >= max((look.saves for look in looks), default=0.0) and (
            works(belief.chances, fixes[option.position][1]) >= SURE or fixes[option.position][1].cost <= cheapest)]
        room = max(0, limit - len(first))
        looks = looks[:max(room - len(tries), room - room // 3)]
        ordered = [*first, *sure, *looks, *(option for option in tries if option not in sure)]
        return tuple(self._of_check(belief, *checks[option.position], option.saves) if option.kind == "check" else
                     self._of_fix(belief, *fixes[option.position], option.saves) for option in ordered[:limit])

    def _applies(self, term: Term) -> bool:
        machine = self.question.machine
        return term.applies(engine=machine.engine, carburettor=machine.carburettor, machine=machine.kind) and (
            self.profile == "bench" or term.owner)

    def _open_checks(self) -> Iterable[Term]:
        """Checks not answered yet. What a symptom says already needs no check: the belief rests on it."""
        answered = {self.vocabulary.label("check", name) for name, _answer in self.known.answers}
        spoken = set(self.question.symptoms)
        return (term for term in self.vocabulary.terms["check"].values() if term.label not in answered
                and not spoken & set(term.known_from) and self._applies(term))

    def _open_fixes(self) -> Iterable[Term]:
        failed = {self.vocabulary.label("action", name) for name in self.known.failed}
        return (term for term in self.vocabulary.terms["action"].values()
                if term.cures and term.label not in failed and self._applies(term))

    def _check(self, term: Term) -> Check | None:
        """The check over the causes in question; None where it points to none of them."""
        pointed = np.array([bool(path & set(term.points_to)) for path in self.paths])
        if not pointed.any():
            return None
        seen = np.array([term.under in path for path in self.paths]) & pointed
        assumed = np.where(seen, BAD_IF_SEEN, np.where(pointed, BAD_IF_POINTED, BAD_OTHERWISE))
        counts = self.records.verdicts(term.label)
        # Cases of all causes of a kind together pull the assumption first, then each cause's own cases.
        for group in (seen, pointed & ~seen, ~pointed):
            if group.any():
                pooled = m_estimate(counts[group].sum(axis=0), [1 - assumed[group][0], assumed[group][0]], M_CHECK)
                assumed[group] = pooled[1]
        bad = m_estimate(counts, np.stack([1 - assumed, assumed], axis=1), M_CHECK)[:, 1]
        minutes = term.minutes if term.minutes is not None else USUAL_MINUTES
        return Check(term.label, minutes * self.per_minute, np.stack([1 - bad, bad]), ("ok", "bad"))

    def _fix(self, name: str) -> Fix | None:
        """The fix over the causes in question; None where it removes none of them."""
        term = self.vocabulary.resolve("action", name)
        if term is None:
            return None
        meant = np.array([bool(path & set(term.cures)) for path in self.paths])
        if not meant.any():
            return None
        cured, tried = self.records.cures(term.label)
        assumed = np.where(meant, CURES_IF_MEANT, 0.0)
        efficacy = (cured + M_FIX * assumed) / (tried + M_FIX)
        return Fix(term.label, self._price(term)[0], np.where(meant | (cured > 0), efficacy, 0.0))

    def _price(self, term: Term) -> tuple[float, float, bool]:
        """Money and minutes of a fix, and whether a case says what its parts cost."""
        minutes, parts = self.records.costs(term.label)
        usual = term.minutes if term.minutes is not None else USUAL_MINUTES
        spent = minutes if minutes is not None else usual
        needs_parts = term.label.split()[0] in ("replace", "fit", "overhaul")
        price = parts if parts is not None else UNPRICED_MINUTES * self.per_minute if needs_parts else 0.0
        return spent * self.per_minute + price, spent, parts is not None or not needs_parts

    def _of_check(self, belief: Belief, term: Term, check: Check, saves: float) -> Proposal:
        outcomes = []
        for number, answer in enumerate(check.outcomes):
            chance = float(check.likelihood[number] @ belief.chances)
            after = belief.with_chances(after_check(belief.chances, check, number))
            outcomes.append(Outcome(cast(Answer, answer), chance, after.top()))
        return Proposal("check", term, check.cost / self.per_minute if self.per_minute else term.minutes or 0.0,
                        check.cost, saves, tuple(outcomes), 0.0, self.records.cases_of_check(term.label), True,
                        self._for_safety(term))

    def _of_fix(self, belief: Belief, term: Term, fix: Fix, saves: float) -> Proposal:
        cost, minutes, known = self._price(term)
        return Proposal("fix", term, minutes, cost, saves, (), works(belief.chances, fix),
                        self.records.cases_of_fix(term.label), known)

    def _for_safety(self, check: Term) -> bool:
        """A check of something that can hurt at once, when a symptom speaks of it."""
        terms = self.vocabulary.terms["symptom"]
        spoken = {label for label in self.question.symptoms if label in terms}
        return bool(spoken & SAFETY_CHECKS.get(check.label, frozenset()))


# Symptoms that call for a safety check before anything else (common practice, no source).
SAFETY_CHECKS: dict[str, frozenset[str]] = {
    "fuel leak check": frozenset({"fuel leak", "floods", "primer bulb cracked or leaking", "fuel in the crankcase oil"}),
    "attachment still at idle": frozenset({"idle too fast", "idle hangs", "over-revs"}),
    "stop switch works": frozenset({"over-revs", "throttle sticks"}),
}
