"""How the next check looks on a terminal, and the conversation of `next --ask`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from casebase.api import CaseBase
from casebase.cli.paper import Paper
from casebase.cli.views import cautions, cite
from casebase.problems import visible
from casebase.record.case import Case, Check, Setting, Verdict
from casebase.reuse.causes import SOMETHING_ELSE
from casebase.reuse.nextcheck import Answer, Known, NextStep, Profile, Proposal

# Below so many similar cases with a known cause, chances are not put in numbers.
FEW_CASES = 3
ANSWERS: dict[str, Answer] = {"o": "ok", "ok": "ok", "g": "ok", "good": "ok", "y": "ok", "b": "bad", "bad": "bad",
                              "n": "bad", "?": "can't tell", "c": "can't tell", "can't tell": "can't tell"}
VERDICTS: dict[Answer, Verdict] = {"ok": "ok", "bad": "bad", "can't tell": "unsure"}


def next_step(paper: Paper, base: CaseBase, step: NextStep) -> None:
    beliefs(paper, step)
    if step.two_faults:
        paper.line(f"Mind: {step.two_faults}.", hang=6, style="warn")
    if not step.proposals:
        paper.line("Nothing to propose: no case and no row of the handbook speaks of this.")
        return
    checks = [p for p in step.proposals if p.kind == "check"]
    fixes = [p for p in step.proposals if p.kind == "fix"]
    if step.settled and checks:
        paper.line("No further check is likely to change which cause comes first.")
    if checks:
        paper.heading("Check next")
    for proposal in checks:
        one_check(paper, base, step, proposal)
    if fixes:
        paper.heading("Or go straight to" if checks else "Do next")
    for proposal in fixes:
        one_fix(paper, base, step, proposal)
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
    if is_part(proposal):
        paper.line("lay the new part beside the old one before it goes in", indent=6)
    if is_setting(proposal):
        paper.line("before it is turned, note how it stands now, so that it can be put back", indent=6, style="warn")


def is_part(proposal: Proposal) -> bool:
    """Whether the fix puts in a part that could be the wrong one."""
    return proposal.term.label.split()[0] in ("replace", "fit")


def is_setting(proposal: Proposal) -> bool:
    """Whether the fix turns or bends something that has a value as found."""
    return proposal.term.label.split()[0] in ("adjust", "set")


def money(base: CaseBase, amount: float) -> str:
    return f"{amount:.2f} {base.index.settings.currency}"


def converse(paper: Paper, base: CaseBase, words: str, job: Case | None, path: Path | None, profile: Profile,
             ask: Callable[[str], str]) -> None:
    """Shows one proposal at a time, takes the answer and goes on, until a cure, no proposal, or "q".

    With a job, each answer is added to its file as a step at once, so that nothing said is lost.
    """
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
        proposal = open_ones[0]
        (one_check if proposal.kind == "check" else one_fix)(paper, base, step, proposal)
        cautions(paper, base.index.lexicon.vocabulary.cautions([proposal.term]))
        answer = _answer(paper, proposal, ask)
        if answer == "q":
            return
        if answer == "s":
            skipped.add(proposal.term.label)
            continue
        known, done = _learn(known, proposal, answer)
        if path is not None:
            _log(path, proposal, answer, ask)
        if done:
            paper.line("Good. Prove it, check that nothing leaks and that the attachment stands still at idle.")
            return


def _answer(paper: Paper, proposal: Proposal, ask: Callable[[str], str]) -> str:
    if proposal.kind == "check":
        prompt, allowed = "ok, bad, ? (can't tell), s (skip), q (stop)", {*ANSWERS, "s", "q"}
    else:
        prompt, allowed = "cured, no (no change), s (skip), q (stop)", {"cured", "c", "no", "n", "s", "q"}
    while True:
        said = ask(f"{proposal.term.label} - {prompt}: ").strip().casefold()
        if said in allowed:
            return said
        paper.line(f'"{visible(said)}" is not an answer to {proposal.term.label}; allowed: {prompt}.', style="warn")


def _learn(known: Known, proposal: Proposal, answer: str) -> tuple[Known, bool]:
    if proposal.kind == "check":
        return Known((*known.answers, (proposal.term.label, ANSWERS[answer])), known.failed), False
    if answer in ("cured", "c"):
        return known, True
    return Known(known.answers, (*known.failed, proposal.term.label)), False


def _log(path: Path, proposal: Proposal, answer: str, ask: Callable[[str], str]) -> None:
    """Adds what was answered to the job's file; a setting is asked for as found and as left."""
    from casebase.record.case import Effect, Repair, Step
    from casebase.record.edit import add_step

    step: Step
    result: Effect = Effect("", "cured" if answer in ("cured", "c") else "no change")
    if proposal.kind == "check":
        step = Check(proposal.term.label, ask("found (in your words): ").strip(), VERDICTS[ANSWERS[answer]])
    elif is_setting(proposal):
        part = proposal.term.label.split(" ", 1)[1]
        step = Setting(part, ask("as found: ").strip(), ask("as left: ").strip(), (result,))
    else:
        step = Repair((proposal.term.label,), (result,))
    add_step(path, step)
