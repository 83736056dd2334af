"""How opening, logging and finishing a job look on a terminal."""

from __future__ import annotations

from collections.abc import Iterable

from casebase.api import CaseBase, Opened
from casebase.cli import nextviews, views
from casebase.cli.paper import Paper
from casebase.problems import Problem
from casebase.record.case import Case
from casebase.record.casetext import write_step
from casebase.retain.job import SeenBefore
from casebase.retain.stepline import LineRead


def opened(paper: Paper, base: CaseBase, job: Opened, before: list[str]) -> None:
    paper.line(f"Opened [{job.case.number}] in {job.path}", style="strong")
    paper.line(f"Machine   {machine_words(job.case)}", hang=10)
    paper.line(f"Symptoms  {'; '.join(job.case.symptoms) or 'none read'}"
               + (f"; not there: {'; '.join(job.case.absent)}" if job.case.absent else ""), hang=10)
    if not job.case.symptoms:
        paper.line(f'note: name them, so that results can be told of them: casebase edit {job.case.number} --field symptoms '
                   '--value "will not idle"', hang=6)
    for note in job.notes:
        paper.line(f"note: {note}", hang=6)
    for warning in before:
        paper.line(warning, style="warn")
    paper.line()
    views.first_answer(paper, base, job.answer)
    paper.line()
    nextviews.next_step(paper, base, job.step)
    paper.line()
    paper.line(f'Write down what you do: casebase log {job.case.number} "fuel line split at the grommet"', style="quiet")


def machine_words(case: Case) -> str:
    machine = case.machine
    start = f"{machine.start} start" if machine.start else ""
    carburettor = f"{machine.carburettor} carburettor" if machine.carburettor else ""
    return ", ".join(filter(None, (machine.kind, machine.engine, carburettor, machine.displacement, machine.age, start,
                                   f"tag {machine.tag}" if machine.tag else "")))


def warnings(comeback: SeenBefore | None, twin: SeenBefore | None) -> list[str]:
    """What to say of cases that may be the same machine come back, or the same job written down twice."""
    said = []
    if comeback is not None:
        said.append(f"The same machine was here {days(comeback.days)} before: [{comeback.case.number}] "
                    f"{comeback.case.title}. Perhaps a comeback.")
    if twin is not None and (comeback is None or twin.case.id != comeback.case.id):
        said.append(f"[{twin.case.number}] {twin.case.title} has almost the same words. Perhaps one job written down "
                    "twice.")
    return said


def days(count: int) -> str:
    return "the same day" if not count else "1 day" if count == 1 else f"{count} days"


def pieces(paper: Paper, read: LineRead) -> None:
    """How each piece of a line was read, with its words where the value does not say them."""
    for piece in read.pieces:
        words = f'  ("{piece.words}")' if piece.words and piece.words.casefold() != piece.value.casefold() else ""
        paper.line(f"{piece.field:<8} {piece.value}{words}", indent=2, hang=9)


def logged(paper: Paper, case: Case, read: LineRead) -> None:
    assert read.step is not None
    paper.line(f"[{case.number}] step {len(case.steps)}, read as", style="strong")
    pieces(paper, read)
    for remark in read.remarks:
        paper.line(f"note: {remark}", hang=6)
    if case.status == "closed":
        paper.line("note: this job was closed already", hang=6)
    paper.line("Written:", style="quiet")
    for line in write_step(read.step):
        paper.line(line.strip(), indent=2 if line.startswith("  -") else 4, style="quiet")


def finished(paper: Paper, case: Case, remarks: Iterable[str], problems: Iterable[Problem]) -> None:
    paper.line(f"[{case.number}] is closed: {case.outcome}", style="strong")
    for remark in remarks:
        paper.line(f"note: {remark}", hang=6)
    for problem in problems:
        paper.line(str(problem), style="warn")
