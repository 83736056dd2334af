"""How answers look on a terminal."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby

from casebase.api import CaseBase
from casebase.cli.paper import Paper
from casebase.record.case import Case, Check, Effect, Setting, Step, citation
from casebase.retrieve.rank import Match
from casebase.retrieve.understand import Understood
from casebase.reuse.evidence import FixEvidence, SymptomEvidence
from casebase.reuse.firstanswer import FirstAnswer, best_matches, proposed, without_effect
from casebase.reuse.prospect import Prospect
from casebase.trade.handbook import Row
from casebase.trade.terms import DEFERS, Term

_STATUS_WORDS = {"present": "", "absent": "not there: ", "resolved": "over: ", "possible": "perhaps: ",
                 "historical": "earlier: "}


def cite(ids: Iterable[str], most: int = 6) -> str:
    """Case numbers in brackets, at most `most`."""
    numbers = [citation(case_id) for case_id in ids]
    more = f" and {len(numbers) - most} more" if len(numbers) > most else ""
    return "[" + ", ".join(numbers[:most]) + more + "]"


def first_answer(paper: Paper, base: CaseBase, answer: FirstAnswer) -> None:
    understood(paper, answer.question)
    if answer.is_empty:
        paper.line()
        paper.line(f"Nothing like it: no case among {answer.cases} and no row of the handbook fits."
                   if answer.cases else "Nothing like it: this folder has no cases yet and no row of the handbook fits.")
        paper.line("Say what the machine does, in plain words: when it dies, what it leaks, what you hear.")
        return
    if answer.ranking.shown:
        neighbours(paper, base, answer)
    for part in answer.evidence:
        fixes(paper, base, part, answer)
    if answer.handbook:
        handbook(paper, answer)
    cautions(paper, answer.cautions)


def understood(paper: Paper, seen: Understood) -> None:
    terms = [f'{"likely" if term.status == "present" else "perhaps"} {term.label} ("{term.words}")' if term.label in seen.likely else _STATUS_WORDS[term.status] + term.label
             for term in seen.observations if term.kind in ("symptom", "cause")]
    paper.line("Read as   " + ("; ".join(terms) or "no symptom the vocabulary knows"), hang=10)
    machine = [seen.machine.kind, seen.machine.engine, seen.machine.carburettor,
               f"{seen.machine.displacement_cc:g} cc" if seen.machine.displacement_cc else "",
               f"{seen.machine.age_years:g} years old" if seen.machine.age_years is not None else ""]
    if any(machine):
        paper.line("Machine   " + ", ".join(filter(None, machine)), hang=10)
    if seen.readings:
        paper.line("Readings  " + "; ".join(f"{reading.text} ({reading})" for reading in seen.readings), hang=10)
    for tried in seen.tried:
        paper.line(f"Tried     {tried.action}: {tried.result}", hang=10)
    if seen.corrected:
        paper.line("Spelling  " + "; ".join(f"{wrong} read as {right}" for wrong, right in seen.corrected), hang=10)
    for word, meanings in seen.doubts:
        paper.line(f"Unclear   {word}: {', '.join(meanings[:-1])} or {meanings[-1]}?" if len(meanings) > 1 else
                   f"Unclear   {word}: {meanings[0]}?", hang=10)
    if seen.left_over:
        paper.line("Left over " + ", ".join(seen.left_over), hang=10, style="quiet")


def neighbours(paper: Paper, base: CaseBase, answer: FirstAnswer) -> None:
    close = best_matches(answer)
    paper.heading("Like this one" if close else "Nothing really like it; these share some words")
    for found in close or answer.ranking.shown[:3]:
        title, kind, outcome = base.index.shown(found.position)
        paper.line(f"[{citation(found.id)}] {title} ({kind}, {outcome})", indent=2, hang=9)
        why = reasons(found)
        if why:
            paper.line(why, indent=11, style="quiet")
    ending(paper, answer.prospect)


def ending(paper: Paper, prospect: Prospect) -> None:
    """How such jobs end, in counts; a share only from enough of them."""
    near = prospect.neighbours
    if prospect.chance is None:
        return
    paper.line()
    text = f"Of the {near.nearest} most alike {near.fixed} ended fixed" if near.nearest > 1 else (
        "The one most alike ended fixed" if near.fixed else "The one most alike did not end fixed")
    everyone = round(near.base * near.known)
    paper.line(f"{text}; of all {near.known} jobs with a known end {everyone}."
               + (f" Chance for this one: about {round(10 * prospect.chance)} in 10." if near.nearest >= 8 else ""))


def reasons(found: Match) -> str:
    why = found.reasons
    parts = [", ".join(why.symptoms)]
    parts += [f"{theirs} (near to {mine})" for mine, theirs in why.related]
    if why.words:
        parts.append("words " + ", ".join(why.words))
    if why.matching:
        parts.append("also " + ", ".join(why.matching))
    if why.differing:
        parts.append("but " + ", ".join(why.differing))
    if why.contradicting:
        parts.append("against it " + ", ".join(why.contradicting))
    if why.likely:
        parts.append("its cause is likely here: " + ", ".join(cause for cause, _chance in why.likely))
    if why.unknown:
        parts.append("not known there: " + ", ".join(why.unknown))
    return "; ".join(filter(None, parts))


def fixes(paper: Paper, base: CaseBase, part: SymptomEvidence, answer: FirstAnswer) -> None:
    what = f'"{part.symptom}"' if part.symptom else "such complaints"
    shown = proposed(part)
    if not part.cases:
        if answer.cases and part.symptom:
            paper.heading(f"No similar case here says what cures {what}")
        return
    jobs = "1 similar job" if part.cases == 1 else f"{part.cases} similar jobs"
    paper.heading(f"What helped against {what} in {jobs}" if shown else f"Nothing has helped against {what} yet")
    for fix in shown:
        one_fix(paper, base, fix)
    idle = without_effect(part)
    if idle:
        paper.line("Without effect: " + "; ".join(f"{fix.name} {cite(_ids(fix))}" for fix in idle), indent=2, hang=2)
    if part.set_aside:
        paper.line("Already tried, so set aside: " + "; ".join(
            f"{fix.name} ({fix.in_words} here)" for fix in part.set_aside), indent=2, hang=2)


def one_fix(paper: Paper, base: CaseBase, fix: FixEvidence) -> None:
    paper.line(f"{fix.name}: {fix.in_words} {cite(_ids(fix))}", indent=2, hang=2)
    facts = []
    if fix.count("better"):
        facts.append(f"better in {fix.count('better')}")
    if fix.wilson is not None:
        low, high = round(100 * fix.wilson.low), round(100 * fix.wilson.high)
        facts.append(f"cures somewhere between {low} and {high} of 100 such jobs (95 % interval)")
    if fix.minutes is not None:
        facts.append(f"about {fix.minutes:.0f} min")
    if fix.parts:
        facts.append(f"parts about {fix.parts:.2f} {base.index.settings.currency}")
    if fix.came_back:
        facts.append(f"came back {cite(fix.came_back)}")
    if facts:
        paper.line("; ".join(facts), indent=6, style="quiet")


def _ids(fix: FixEvidence) -> list[str]:
    return [case_id for ids in fix.cases.values() for case_id in ids]


def handbook(paper: Paper, answer: FirstAnswer) -> None:
    """Rows of the handbook; a source is named once for the rows above it that share it."""
    paper.heading("From the handbook (general tables, not this shop's own jobs)")
    if not answer.cases:
        paper.line("This folder has no cases yet; these are published or commonly known causes.", indent=2)
    for source, rows in groupby(answer.handbook, _source):
        for row in rows:
            paper.line(f"{row.printed_symptom}: {row.printed_cause} → {row.remedy}", indent=2, hang=2)
        paper.line(f"Source: {source}", indent=6, style="quiet")
    if answer.handbook_more:
        paper.line(f"and {answer.handbook_more} more rows on these symptoms", indent=2, style="quiet")


def _source(row: Row) -> str:
    return row.source if row.basis != "from memory" or "memory" in row.source else f"{row.source}, from memory"


def cautions(paper: Paper, hazards: tuple[Term, ...]) -> None:
    if not hazards:
        return
    paper.heading("Take care")
    for term in hazards:
        paper.line(f"{term.label}: {term.caution}", indent=2, hang=2, style="warn")
    paper.line(DEFERS, indent=2)


def case(paper: Paper, record: Case, currency: str) -> None:
    paper.line(f"[{record.number}] {record.title}", style="strong")
    machine = record.machine
    details = [machine.kind, machine.engine, f"{machine.carburettor} carburettor" if machine.carburettor else "",
               machine.displacement, machine.age, machine.tag]
    paper.line(f"{record.date.isoformat()}, {record.outcome or record.status}: " + ", ".join(filter(None, details)))
    for name, text in (("Complaint", record.complaint), ("Symptoms", "; ".join(record.symptoms)),
                       ("Not there", "; ".join(record.absent)), ("Stored", record.history.stored),
                       ("Before", "; ".join(record.history.tried_before)), ("Comeback of", record.comeback_of)):
        if text:
            paper.line(f"{name:<11} {text}", hang=12)
    if record.steps:
        paper.heading("Steps")
    for number, step in enumerate(record.steps, 1):
        paper.line(f"{number:>2}  {step_line(step, currency)}", indent=1, hang=4)
    for name, values in (("Causes", [fault.fault for fault in record.causes]), ("Proof", record.proof),
                         ("Advice", record.advice)):
        if values:
            paper.line(f"{name:<11} {'; '.join(values)}", hang=12)
    for news in record.followups:
        paper.line(f"{'Follow-up':<11} {news.date.isoformat()}: {news.status}")
    if record.body:
        paper.line()
        for block in record.body.split("\n\n"):
            paper.line(" ".join(block.split()))


def step_line(step: Step, currency: str) -> str:
    """One step in one line, as the file has it."""
    minutes = f"{step.minutes:g} min" if step.minutes is not None else ""
    if isinstance(step, Check):
        parts = [f"checked {step.check}" + (f": {step.found}" if step.found else ""), step.verdict or "", minutes]
    elif isinstance(step, Setting):
        parts = [f"set {step.setting}: {step.before or 'not noted'} → {step.after or 'not noted'}",
                 _effects(step.effects), minutes]
    else:
        cost = f"parts {step.parts} {currency}" if step.parts is not None else ""
        parts = [" + ".join(step.actions), _effects(step.effects), minutes, cost,
                 f"{step.source} part" if step.source else ""]
    return ", ".join(filter(None, [*parts, step.note]))


def _effects(effects: tuple[Effect, ...]) -> str:
    return "; ".join(f"{effect.symptom}: {effect.result}" if effect.symptom else effect.result for effect in effects)
