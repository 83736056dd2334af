"""How the next check looks on a terminal, and the conversation of `next --ask`."""

from __future__ import annotations

from collections.abc import Callable
from itertools import groupby
from pathlib import Path

from casebase.api import CaseBase
from casebase.cli.paper import Paper
from casebase.cli.views import cautions, cite
from casebase.problems import visible
from casebase.record.case import Case, Check, Effect, Repair, Result, Setting, Step, Verdict
from casebase.reuse.causes import SOMETHING_ELSE
from casebase.reuse.jobstate import open_symptoms
from casebase.reuse.nextcheck import Answer, Known, NextStep, Profile, Proposal
from casebase.trade.terms import Term

# Below so many similar cases with a known cause, chances are not put in numbers.
FEW_CASES = 3
ANSWERS: dict[str, Answer] = {"o": "ok", "ok": "ok", "g": "ok", "good": "ok", "b": "bad", "bad": "bad",
                              "?": "can't tell", "c": "can't tell", "can't tell": "can't tell"}
SETTLED = "No check that is left can put another cause first: stop looking."
VERDICTS: dict[Answer, Verdict] = {"ok": "ok", "bad": "bad", "can't tell": "unsure"}


def next_step(paper: Paper, base: CaseBase, step: NextStep) -> None:
    beliefs(paper, step)
    if step.two_faults:
        paper.line(f"Mind: {step.two_faults}.", hang=6, style="warn")
    if not step.proposals:
        paper.line("Nothing to propose: no case and no row of the handbook speaks of this.")
        return
    if step.settled:
        paper.line(SETTLED)
    headings = {"check": "Check next", "fix": "Do next"}
    for kind, proposals in groupby(step.proposals, lambda proposal: proposal.kind):
        paper.heading(headings[kind])
        headings = {"check": "Or look first at", "fix": "Or go straight to"}
        for proposal in proposals:
            (one_check if kind == "check" else one_fix)(paper, base, step, proposal)
    cautions(paper, base.index.lexicon.vocabulary.cautions(p.term for p in step.proposals))


def in_numbers(step: NextStep) -> bool:
    """Whether enough cases stand behind the chances to say them as numbers."""
    return len({case_id for ids in step.belief.cases.values() for case_id in ids}) >= FEW_CASES


def beliefs(paper: Paper, step: NextStep) -> None:
    cases = {case_id for ids in step.belief.cases.values() for case_id in ids}
    likely = [(cause, chance) for cause, chance in step.belief.top(6) if cause != SOMETHING_ELSE]
    if not likely:
        return
    if in_numbers(step):
        words = "; ".join(f"{cause} {round(100 * chance)} in 100" for cause, chance in likely)
        paper.line(f"Likely    {words}", hang=10)
        paper.line(f"resting on {len(cases)} similar cases and the handbook", indent=10, style="quiet")
        return
    paper.line("Possible  " + "; ".join(cause for cause, _chance in likely), hang=10)
    sources = dict.fromkeys(row.source for cause, _chance in likely for row in step.belief.rows.get(cause, ()))
    basis = f"{len(cases)} similar case{'s' if len(cases) > 1 else ''} and " if cases else ""
    paper.line(f"resting on {basis}general tables ({'; '.join(sources) or 'the vocabulary'}); too few cases for numbers",
               indent=10, style="quiet")


def one_check(paper: Paper, base: CaseBase, step: NextStep, proposal: Proposal) -> None:
    first = " (first, for safety)" if proposal.first_for_safety else ""
    paper.line(f"{proposal.term.label}: {proposal.minutes:.0f} min, {money(base, proposal.cost)}{first}", indent=2, hang=2)
    for outcome in proposal.outcomes:
        found = proposal.term.ok if outcome.answer == "ok" else proposal.term.bad
        words = f"{outcome.answer} ({', '.join(found[:3])})" if found else outcome.answer
        if outcome.answer == "can't tell":
            paper.line("can't tell, as has happened here: then nothing is won", indent=6, hang=2, style="quiet")
            continue
        causes = [f"{cause} {round(100 * chance)} in 100" if in_numbers(step) else cause
                  for cause, chance in outcome.causes if cause != SOMETHING_ELSE][:2]
        paper.line(f"{words}: then {' or '.join(causes)}", indent=6, hang=2, style="quiet")
    if proposal.term.how:
        paper.line(proposal.term.how, indent=6)
    rests = f"made before in {cite(proposal.cases)}" if proposal.cases else "no case has it yet; from the vocabulary"
    paper.line(rests, indent=6, style="quiet")


def one_fix(paper: Paper, base: CaseBase, step: NextStep, proposal: Proposal) -> None:
    chance = f", helps in about {round(100 * proposal.works)} of 100" if in_numbers(step) else ""
    price = "" if proposal.price_known else ", parts of unknown price"
    paper.line(f"{proposal.term.label}: {proposal.minutes:.0f} min, {money(base, proposal.cost)}{price}{chance}",
               indent=2, hang=2)
    if proposal.term.how:
        paper.line(proposal.term.how, indent=6)
    rests = f"done before in {cite(proposal.cases)}" if proposal.cases else "no case has it yet; from the vocabulary"
    paper.line(rests, indent=6, style="quiet")
    if proposal.is_part:
        paper.line("lay the new part beside the old one before it goes in", indent=6)
    if proposal.is_setting:
        paper.line("before it is turned, note how it stands now, so that it can be put back", indent=6, style="warn")


def money(base: CaseBase, amount: float) -> str:
    return f"{amount:.2f} {base.index.settings.currency}"


def converse(paper: Paper, base: CaseBase, words: str, job: Case | None, path: Path | None, profile: Profile,
             ask: Callable[[str], str]) -> None:
    """Shows one proposal at a time, takes the answer and goes on, until a cure, no proposal, or "q".

    With a job, each answer is added to its file as a step at once, so that nothing said is lost.
    """
    from casebase.record.edit import add_step

    known, skipped = Known(), set[str]()
    while True:
        step = base.next_step_of(job, known, profile=profile, limit=12) if job else base.next_step(
            words, known, profile=profile, limit=12)
        open_ones = [p for p in step.proposals if p.term.label not in skipped]
        beliefs(paper, step)
        if step.two_faults:
            paper.line(f"Mind: {step.two_faults}.", hang=6, style="warn")
        if not open_ones:
            paper.line("Nothing more to propose.")
            return
        if step.settled:
            paper.line(SETTLED)
        proposal = open_ones[0]
        (one_check if proposal.kind == "check" else one_fix)(paper, base, step, proposal)
        cautions(paper, base.index.lexicon.vocabulary.cautions([proposal.term]))
        # The value as found is asked for before anybody turns the thing.
        before = ask(f"{proposal.term.label} - as found (s to skip, q to stop): ").strip() if proposal.is_setting else ""
        answer = before.casefold() if before.casefold() in ("s", "q") else _answer(paper, proposal, ask)
        if answer == "q":
            return
        if answer == "s":
            skipped.add(proposal.term.label)
            continue
        known, done = _learn(known, proposal, answer)
        if path is not None:
            add_step(path, _step(base, job, proposal, answer, before, ask))
        if before and not done:
            paper.line(f"If it is no better so, put it back as found: {before}.")
        if done:
            paper.line("Good. Prove it, check that nothing leaks and that the attachment stands still at idle.")
            return


def _findings(term: Term) -> dict[str, Answer]:
    """The findings of a check as answers; "yes" means what it means for this check, which may be bad."""
    said: dict[str, Answer] = dict.fromkeys(map(str.casefold, term.ok), "ok")
    said |= dict.fromkeys(map(str.casefold, term.bad), "bad")
    return said | {word[0]: said[word] for word in ("yes", "no") if word in said}


def _answer(paper: Paper, proposal: Proposal, ask: Callable[[str], str]) -> str:
    findings = _findings(proposal.term) if proposal.kind == "check" else {}
    if proposal.kind == "check":
        prompt, allowed = "ok, bad, ? (can't tell), s (skip), q (stop)", {*ANSWERS, *findings, "s", "q"}
    else:
        prompt, allowed = "cured, no (no change), s (skip), q (stop)", {"cured", "c", "no", "n", "s", "q"}
    more = f", or what was found: {', '.join(word for word in findings if len(word) > 1)}" if findings else ""
    while True:
        said = ask(f"{proposal.term.label} - {prompt}: ").strip().casefold()
        if said in allowed:
            return said
        paper.line(f'"{visible(said)}" is not an answer to {proposal.term.label}; allowed: {prompt}{more}.', style="warn")


def _learn(known: Known, proposal: Proposal, answer: str) -> tuple[Known, bool]:
    if proposal.kind == "check":
        return Known((*known.answers, (proposal.term.label, _meaning(proposal, answer))), known.failed), False
    if answer in ("cured", "c"):
        return known, True
    return Known(known.answers, (*known.failed, proposal.term.label)), False


def _meaning(proposal: Proposal, answer: str) -> Answer:
    return ANSWERS.get(answer) or _findings(proposal.term)[answer]


def _step(base: CaseBase, job: Case | None, proposal: Proposal, answer: str, before: str,
          ask: Callable[[str], str]) -> Step:
    """What was answered as a step of a job; of a setting the value as left is asked for too.

    The result is that for every symptom which is still open.
    """
    term = proposal.term
    result: Result = "cured" if answer in ("cured", "c") else "no change"
    effects = tuple(Effect(symptom, result) for symptom in (open_symptoms(job) if job else ()) or ("",))
    if proposal.kind == "check":
        found = answer if answer not in ANSWERS and len(answer) > 1 else ask("found (in your words): ").strip()
        return Check(term.label, found, VERDICTS[_meaning(proposal, answer)])
    if not proposal.is_setting:
        return Repair((term.label,), effects)
    after = ask("as left: ").strip()
    setting = proposal.setting(base.index.lexicon.vocabulary)
    if setting is not None:
        return Setting(setting.label, before, after, effects)
    note = "; ".join(f"as {when} {value}" for when, value in (("found", before), ("left", after)) if value)
    return Repair((term.label,), effects, note=note)
