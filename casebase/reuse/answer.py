"""A reply to a stranger, made of the shop's record: what it sounds like, what cured such cases, what to look at.

Every claim carries its cases or its source; what is not known is said. Nothing private can get in: a reply is made
from labels, counts and case numbers, never from what a case tells.
"""

from __future__ import annotations

from typing import NamedTuple

from casebase.record.case import citation
from casebase.retrieve.index import Index
from casebase.reuse.causes import SOMETHING_ELSE
from casebase.reuse.evidence import FixEvidence, SymptomEvidence
from casebase.reuse.firstanswer import FirstAnswer, first_answer, proposed
from casebase.reuse.nextcheck import USUAL_MINUTES, NextStep, Proposal, next_step
from casebase.reuse.page import Block, Page
from casebase.trade.terms import Term

SHORT = 500
# A cause below this chance is not worth naming to a stranger.
WORTH_NAMING = 0.05
MOST_CASES_CITED = 4
ENOUGH_LOOKS = 3
# Facts that most change what is likely; asked for where the question does not tell them (common practice, no source).
MACHINE_QUESTION = "Which kind of machine is it?"
ENGINE_QUESTION = "Is it a two-stroke (oil mixed into the fuel) or a four-stroke?"
STORED_QUESTION = "How long has it stood, and with which fuel in the tank?"
FUEL_GROUPS = ("fuel supply", "carburettor", "fuel")
DIFFERS = ("Another machine may differ, and its own manual and local rules come first. What you are not sure of is work for "
           "a licensed or trained person.")


class Reply(NamedTuple):
    """The parts of an answer. `known` is False where the question lies outside what the shop and the handbook know."""

    known: bool
    sounds_like: tuple[str, ...]
    cured: tuple[str, ...]
    checks: tuple[str, ...]
    shop_job: tuple[str, ...]
    questions: tuple[str, ...]
    cautions: tuple[Term, ...]
    not_known: tuple[str, ...]
    cases: tuple[str, ...]


def reply(text: str, index: Index) -> Reply:
    """Answers a stranger's question. Raises `Refused` for a text without words."""
    found = first_answer(text, index)
    symptoms = found.question.symptoms or found.question.labels("symptom", "possible")
    step = next_step(found.question, index, profile="owner", limit=6)
    likely = [(cause, chance) for cause, chance in step.belief.top(4)
              if cause != SOMETHING_ELSE and chance >= WORTH_NAMING][:3]
    if not likely and not symptoms:
        return Reply(False, (), (), (), (), (MACHINE_QUESTION, "What does it do, and what does it not do?"), (),
                     (f"Nothing like it is among the {index.size} jobs recorded here, nor in the handbook.",), ())
    cured = [line for part in found.evidence for line in _cured(part)]
    checks = [proposal for proposal in step.proposals if proposal.kind == "check"]
    looks = [_look(proposal) for proposal in checks[:3]]
    looked = [proposal.term for proposal in checks[:3]]
    for term, cause in _simple_looks(found, likely, index):
        if len(looks) < ENOUGH_LOOKS and term not in looked:
            looked.append(term)
            looks.append(f'{term.label} (about {max(1, round(term.minutes or USUAL_MINUTES))} min); '
                         f'"{" or ".join(term.bad[:2]) or "bad"}" speaks for {cause}')
    hazards = index.lexicon.vocabulary.cautions(looked)
    cited = dict.fromkeys(case for cause, _chance in likely for case in step.belief.cases.get(cause, ()))
    return Reply(
        True, tuple(_likely(cause, chance, step) for cause, chance in likely), tuple(cured[:4]),
        tuple(looks), tuple(_shop_job(found, index)),
        tuple(_questions(found, step, index, checks[3:])[:2]), (*hazards, *(c for c in found.cautions if c not in hazards)),
        tuple(_not_known(found, cured)), tuple(cited),
    )


def _likely(cause: str, chance: float, step: NextStep) -> str:
    """A cause with what it rests on; how likely only in words, since it rests on few cases."""
    cases = step.belief.cases.get(cause, ())
    rows = step.belief.rows.get(cause, ())
    rests = [f"seen in {_jobs(len(cases))} here {_cited(cases)}" if cases else "",
             f"in published tables ({rows[0].source})" if rows and not cases else "in published tables too" if rows else ""]
    return f"{cause}, about {max(1, round(chance * 10))} in 10: {', '.join(part for part in rests if part)}"


def _cured(part: SymptomEvidence) -> list[str]:
    lines = []
    for fix in proposed(part)[:2]:
        about = f'"{part.symptom}"' if part.symptom else "such complaints"
        lines.append(f"{about}: {fix.name} {fix.in_words} {_cited(_cases_of(fix))}")
    return lines


def _cases_of(fix: FixEvidence) -> list[str]:
    return list(dict.fromkeys(case for ids in fix.cases.values() for case in ids))


def _look(proposal: Proposal) -> str:
    """A check an owner can make, and what its answers point to."""
    term = proposal.term
    parts = [f"{term.label} (about {max(1, round(proposal.minutes))} min)"]
    for outcome in proposal.outcomes:
        words = (term.ok if outcome.answer == "ok" else term.bad) or (outcome.answer,)
        named = [cause for cause, _chance in outcome.causes if cause != SOMETHING_ELSE][:2]
        if named:
            parts.append(f'"{" or ".join(words[:2])}" points to {" or ".join(named)}')
    return "; ".join(parts)


def _simple_looks(found: FirstAnswer, likely: list[tuple[str, float]], index: Index) -> list[tuple[Term, str]]:
    """Checks for an owner that look at the likely causes, quickest first, though they may not decide the matter."""
    vocabulary, machine = index.lexicon.vocabulary, found.question.machine
    looks = []
    for term in vocabulary.terms["check"].values():
        known = set(term.known_from) & set(found.question.symptoms)
        if not term.owner or known or not term.applies(engine=machine.engine, carburettor=machine.carburettor,
                                                       machine=machine.kind):
            continue
        cause = next((cause for cause, _chance in likely
                      if set(vocabulary.path("cause", cause)) & set(term.points_to)), "")
        if cause:
            looks.append((term, cause))
    return sorted(looks, key=lambda look: (look[0].minutes or USUAL_MINUTES, look[0].label))


def _shop_job(found: FirstAnswer, index: Index) -> list[str]:
    """Fixes that worked but are not for an owner, and what always ends a stranger's own tries."""
    actions = index.lexicon.vocabulary.terms["action"]
    beyond = dict.fromkeys(action for part in found.evidence for fix in proposed(part) for action in fix.actions
                           if action in actions and not actions[action].owner)
    lines = [f"needs tools and practice: {', '.join(list(beyond)[:3])}"] if beyond else []
    return [*lines, "fuel that leaks, an attachment that moves at idle, a stop switch that does not stop it: do not run it"]


def _questions(found: FirstAnswer, step: NextStep, index: Index, more: list[Proposal]) -> list[str]:
    """The most telling things that the question leaves open."""
    machine = found.question.machine
    asked = [] if machine.kind else [MACHINE_QUESTION]
    asked += [] if machine.engine else [ENGINE_QUESTION]
    paths = [index.lexicon.vocabulary.path("cause", cause) for cause, _chance in step.belief.top(3)]
    if any(set(path) & set(FUEL_GROUPS) for path in paths):
        asked.append(STORED_QUESTION)
    return asked + [f"{proposal.term.label}: {' or '.join([*proposal.term.ok[:1], *proposal.term.bad[:1]])}?"
                    for proposal in more if proposal.term.ok and proposal.term.bad]


def _not_known(found: FirstAnswer, cured: list[str]) -> list[str]:
    lines = []
    if not found.similar:
        lines.append(f"None of the {found.cases} jobs recorded here is really like it; this rests on published tables."
                     if found.cases else "No jobs are recorded here yet; this rests on published tables.")
    elif not cured:
        lines.append("No fix is recorded here for just this.")
    elif found.similar < 5:
        lines.append(f"It rests on {_jobs(found.similar)}, which is few.")
    return lines


def _jobs(count: int) -> str:
    return "one job" if count == 1 else f"{count} jobs"


def _cited(cases: tuple[str, ...] | list[str]) -> str:
    more = ", …" if len(cases) > MOST_CASES_CITED else ""
    return f"[{', '.join(citation(case) for case in cases[:MOST_CASES_CITED])}{more}]"


def page(answer: Reply) -> Page:
    """The reply, ready to paste."""
    if not answer.known:
        return Page("", (Block("", (*answer.not_known, "So I cannot say what it is.")),
                         Block("Please tell", answer.questions, "list"), Block("", (DIFFERS,))))
    return Page("", (
        Block("It sounds like", answer.sounds_like, "list"),
        Block("What helped in such jobs here", answer.cured, "list"),
        Block("What you can look at first, in this order", answer.checks, "steps"),
        Block("When to stop and give it to a shop", answer.shop_job, "list"),
        Block("Please tell", answer.questions, "list"),
        Block("Take care", tuple(f"{term.label}: {term.caution}" for term in answer.cautions), "list"),
        Block("Not known", answer.not_known, "list"),
        Block("", (DIFFERS,)),
    ))


def short(answer: Reply) -> str:
    """The reply in fewer than SHORT characters; the caution and the limits of it come first to be kept."""
    end = "Fuel and moving parts hurt: read the manual first; if unsure, ask a trained person. Another machine may differ."
    if not answer.known:
        return f"{answer.not_known[0]} {answer.questions[0]} {end}"[: SHORT - 1]
    told = ""
    parts = [f"Sounds like {answer.sounds_like[0]}." if answer.sounds_like else "",
             f"Helped here: {answer.cured[0]}." if answer.cured else "",
             f"Look first: {answer.checks[0].split(';')[0]}." if answer.checks else "",
             *answer.not_known[:1], *answer.questions[:1],
             f"Then: {answer.checks[1].split(';')[0]}." if len(answer.checks) > 1 else ""]
    for part in filter(None, parts):
        if len(told) + len(part) + len(end) + 2 < SHORT:
            told += part + " "
    return told + end
