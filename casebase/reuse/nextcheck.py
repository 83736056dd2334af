"""The next check: which look, at what cost, would help most now, and what each answer would mean.

Here it is decided which checks and fixes come into question, what they cost and in which order they are proposed. What
they are worth as numbers comes from `toolbox`, the choice between them is made in `lookahead`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple, cast, get_args

import numpy as np
import numpy.typing as npt

from casebase.problems import refuse
from casebase.record.case import VERDICTS
from casebase.retrieve.index import Index
from casebase.retrieve.rank import Match, Ranking, rank
from casebase.retrieve.understand import Understood
from casebase.reuse.causes import Belief, believe, fits, two_systems
from casebase.reuse.experience import cases_of_check, cases_of_fix
from casebase.reuse.lookahead import options
from casebase.reuse.toolbox import Answer as Answer
from casebase.reuse.toolbox import Toolbox, Tools
from casebase.reuse.troubleshoot import Check, Fix, after_check, after_failed_fix, chance_of_two, works
from casebase.trade.terms import Term, Vocabulary

FloatArray = npt.NDArray[np.float64]
Profile = Literal["owner", "bench"]

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

    @property
    def is_part(self) -> bool:
        """Whether this fix puts in a part that could be the wrong one."""
        return self.kind == "fix" and self.term.label.split()[0] in ("replace", "fit")

    @property
    def is_setting(self) -> bool:
        """Whether this fix turns or bends something that has a value as found."""
        return self.kind == "fix" and self.term.label.split()[0] in ("adjust", "set")

    def setting(self, vocabulary: Vocabulary) -> Term | None:
        """The setting that this fix turns; None where it turns none, or one the vocabulary does not name."""
        return vocabulary.resolve("setting", self.term.label.split(" ", 1)[1]) if self.is_setting else None


class NextStep(NamedTuple):
    """What to do next. `proposals` are best first, safety checks before all; empty when nothing is left.

    `two_faults` says why more than one fault is likely, "" if it is not. `settled` is the safe stop: no cause can
    overtake the likeliest any more, even if every check that is left came out in its favour. The fixes then stand
    before the checks.
    """

    belief: Belief
    proposals: tuple[Proposal, ...]
    two_faults: str
    settled: bool
    matches: tuple[Match, ...]


class Known(NamedTuple):
    """What is known of the machine on the bench: answers to checks, and fixes that did not help.

    Of a check answered twice the last answer that could be told counts: the machine may have been mended between.
    """

    answers: tuple[tuple[str, Answer], ...] = ()
    failed: tuple[str, ...] = ()


def next_step(question: Understood, index: Index, known: Known = Known(), *, profile: Profile = "bench",
              limit: int = 5, ranking: Ranking | None = None) -> NextStep:
    """What to do next for a question; `ranking` are its similar cases, where they are known already.

    A check or fix the vocabulary does not have teaches nothing, since case files may use words of their own.
    Raises `Refused` for an answer that is none, or a limit or profile outside what is allowed.
    """
    _refuse_wrong(known, profile, limit)
    matches, _shown, taught = ranking or rank(question, index)
    belief = believe(question, matches, index, taught.chances)
    bench = _Bench(question, belief, index, known, profile)
    belief, failed_chances = bench.learned()
    reason = _two_faults(question, matches, index, failed_chances, known)
    if len(belief.causes) < 2:
        return NextStep(belief, (), reason, False, matches)
    settled = bench.settled(belief)
    return NextStep(belief, bench.proposals(belief, limit, settled), reason, settled, matches)


def _refuse_wrong(known: Known, profile: str, limit: int) -> None:
    for name, answer in known.answers:
        if answer not in get_args(Answer):
            raise refuse("answer", f'"{answer}" is not an answer to a check', f"allowed: {', '.join(get_args(Answer))}",
                         field=name)
    if profile not in get_args(Profile):
        raise refuse("choice", f'"{profile}" is not a profile', f"allowed: {', '.join(get_args(Profile))}", field="profile")
    if limit < 1:
        raise refuse("limit", f"{limit} proposals cannot be shown", "give 1 or more", field="limit")


def _two_faults(question: Understood, matches: Sequence[Match], index: Index, failed: Sequence[float],
                known: Known) -> str:
    if failed and chance_of_two(failed) >= TWO_FAULTS:
        return (f"{' and '.join(known.failed)} should have helped and did not: there may be two faults, "
                "so look at one symptom at a time")
    pair = two_systems(question, matches, index)
    return f'"{pair[0]}" and "{pair[1]}" have hardly a cause in common: there may be two faults' if pair else ""


def needs_part(action: str) -> bool:
    """Whether an action, by its name, puts in a part that has to be bought."""
    return action.split()[0] in ("replace", "fit", "overhaul")


def _spread(belief: FloatArray, bad: FloatArray) -> float:
    """How far apart the causes stand in what a check would show: the variance of "bad"."""
    return float(belief @ bad**2 - (belief @ bad) ** 2)


class _Bench:
    """The checks and fixes that apply to one question, by their numbers in the toolbox."""

    def __init__(self, question: Understood, belief: Belief, index: Index, known: Known, profile: Profile) -> None:
        self.question, self.belief, self.index, self.known, self.profile = question, belief, index, known, profile
        self.vocabulary: Vocabulary = index.lexicon.vocabulary
        self.box = index.once(Toolbox)
        self.tools = Tools(self.box, belief.causes)
        self.per_minute = float(index.settings.hourly_rate) / 60
        self.checks = [number for number in self._open_checks() if self.tools.looks[number]]

    def learned(self) -> tuple[Belief, list[float]]:
        """The belief after all that is known, and the chance each failed fix had when it was tried."""
        belief, failed = self.belief, []
        told = {term.label: (term, answer) for name, answer in self.known.answers
                if answer != "can't tell" and (term := self.vocabulary.resolve("check", name)) is not None}
        for term, answer in told.values():
            number = self.box.check_number[term.label]
            if self.tools.looks[number]:
                belief = belief.with_chances(after_check(belief.chances, self._check(number), answer))
        for name in self.known.failed:
            number = self.box.fix_number.get(self.vocabulary.label("action", name), -1)
            if number >= 0 and self.tools.cures[number]:
                fix = self._fix(number)
                failed.append(works(belief.chances, fix))
                belief = belief.with_chances(after_failed_fix(belief.chances, fix))
        return belief, failed

    def proposals(self, belief: Belief, limit: int, settled: bool) -> tuple[Proposal, ...]:
        """Safety checks, then the actions that save most against going straight for the fixes, `limit` in all.

        A look costs little and parts are not given back, so a fix stands before the checks only where it is surer
        than not or costs no more than a check; a third of the room is kept for fixes. Once the belief is settled,
        looking tells nothing that matters, so it is the other way about.
        """
        checks, fixes = self._promising(belief.chances)
        found = options(belief.chances, [check for _term, check in checks], [fix for _term, fix in fixes])
        first = [option for option in found if option.kind == "check" and self._for_safety(checks[option.position][0])]
        looks = [option for option in found if option.kind == "check" and option not in first and option.saves > 0]
        tries = [option for option in found if option.kind == "fix"]
        cheapest = min((check.cost for _term, check in checks), default=0.0)
        best_look = max((look.saves for look in looks), default=0.0)
        sure = [option for option in tries if option.saves >= best_look and (
            works(belief.chances, fixes[option.position][1]) >= SURE or fixes[option.position][1].cost <= cheapest)]
        room = max(0, limit - len(first))
        if settled:
            sure = tries[:max(room - len(looks), room - room // 3)]
        looks = looks[:max(room - len(tries), room - room // 3)]
        ordered = [*first, *sure, *looks, *(option for option in tries if option not in sure)]
        return tuple(self._of_check(belief, *checks[option.position], option.saves) if option.kind == "check" else
                     self._of_fix(belief, *fixes[option.position], option.saves) for option in ordered[:limit])

    def _promising(self, chances: FloatArray) -> tuple[list[tuple[Term, Check]], list[tuple[Term, Fix]]]:
        """The checks that part the causes best, and the fixes that most likely work; of each not too many."""
        likelihood, efficacy = self.tools.likelihood, self.tools.efficacy
        checks = sorted(self.checks, key=lambda number: -_spread(chances, likelihood[number, 1]))[:MOST_CHECKS]
        fixes = [(-float(chances @ efficacy[number]), self.box.fixes[number].label, number)
                 for number in self._open_fixes() if self.tools.cures[number]]
        return ([(self.box.checks[number], self._check(number)) for number in checks],
                [(self.box.fixes[number], self._fix(number)) for _works, _label, number in sorted(fixes)[:MOST_FIXES]])

    def settled(self, belief: Belief) -> bool:
        """The safe stop (a test of dominance, our own): each rival is given the best outcome of every check left."""
        leader = int(np.argmax(belief.chances))
        reach = self.tools.reach(belief.chances, leader, self.checks)
        return bool((np.delete(reach, leader) < belief.chances[leader]).all())

    def _applies(self, term: Term) -> bool:
        return (self.profile == "bench" or term.owner) and fits(term, self.question.machine, self.vocabulary)

    def _open_checks(self) -> Iterable[int]:
        """Checks not answered yet. What a symptom says already needs no check: the belief rests on it."""
        answered = {self.vocabulary.label("check", name) for name, _answer in self.known.answers}
        spoken = set(self.question.symptoms)
        return (number for number, term in enumerate(self.box.checks) if term.label not in answered
                and spoken.isdisjoint(term.known_from) and self._applies(term))

    def _open_fixes(self) -> Iterable[int]:
        failed = {self.vocabulary.label("action", name) for name in self.known.failed}
        return (number for number, term in enumerate(self.box.fixes) if term.label not in failed and self._applies(term))

    def _check(self, number: int) -> Check:
        minutes = self.box.checks[number].minutes
        return self.tools.check(number, (minutes if minutes is not None else USUAL_MINUTES) * self.per_minute)

    def _fix(self, number: int) -> Fix:
        return self.tools.fix(number, self._price(self.box.fixes[number])[0])

    def _price(self, term: Term) -> tuple[float, float, bool]:
        """Money and minutes of a fix, and whether a case says what its parts cost."""
        minutes, parts = self.box.counts.costs(term.label)
        usual = term.minutes if term.minutes is not None else USUAL_MINUTES
        spent = minutes if minutes is not None else usual
        part = needs_part(term.label)
        price = parts if parts is not None else UNPRICED_MINUTES * self.per_minute if part else 0.0
        return spent * self.per_minute + price, spent, parts is not None or not part

    def _of_check(self, belief: Belief, term: Term, check: Check, saves: float) -> Proposal:
        outcomes = []
        for number, answer in enumerate(check.outcomes):
            chance = float(check.likelihood[number] @ belief.chances)
            after = belief.with_chances(after_check(belief.chances, check, number))
            outcomes.append(Outcome(cast(Answer, answer), chance, after.top()))
        return Proposal("check", term, check.cost / self.per_minute if self.per_minute else term.minutes or 0.0,
                        check.cost, saves, tuple(outcomes), 0.0, cases_of_check(self.index, term.label, self.belief.causes), True,
                        self._for_safety(term))

    def _of_fix(self, belief: Belief, term: Term, fix: Fix, saves: float) -> Proposal:
        cost, minutes, known = self._price(term)
        return Proposal("fix", term, minutes, cost, saves, (), works(belief.chances, fix),
                        cases_of_fix(self.index, term.label, self.belief.causes), known)

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
