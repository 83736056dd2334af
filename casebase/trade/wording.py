"""A case's words held against the vocabulary and its readings against each other.

Words the vocabulary lacks are allowed (the trade is larger than any list), so everything here is a warning.
"""

from __future__ import annotations

from collections.abc import Iterator

from casebase.problems import Place, Problem, Severity
from casebase.record.case import Case, Check, Setting
from casebase.record.casefile import Reading
from casebase.trade.readings import check_pairs
from casebase.trade.terms import Kind, Vocabulary


def check_terms(reading: Reading, vocabulary: Vocabulary, file: str) -> tuple[Problem, ...]:
    """Warnings for terms the vocabulary does not know and for printed pairs that disagree."""
    if reading.case is None:
        return ()
    problems = [
        _warn("unknown-word", f'{kind} "{name}" is not in the vocabulary',
              vocabulary.suggestion(kind, name) or "it counts as its own term", file, path, reading)
        for kind, name, path in _named(reading.case) if name and vocabulary.resolve(kind, name) is None]
    for path, text in _readings(reading.case):
        problems += [_warn(f"pair-{pair.verdict}", pair.explanation, "check which of the two is right", file, path,
                           reading)
                     for pair in check_pairs(text) if pair.verdict != "ok"]
    return tuple(problems)


def _warn(code: str, message: str, hint: str, file: str, path: str, reading: Reading) -> Problem:
    severity: Severity = "warning"
    place = reading.places.get(path) or reading.places.get(path.rpartition("[")[0], Place())
    return Problem(code, message, hint, file, place, path, severity)


def _named(case: Case) -> Iterator[tuple[Kind, str, str]]:
    yield "machine", case.machine.kind, "machine.kind"
    yield "engine", case.machine.engine, "machine.engine"
    yield "carburettor", case.machine.carburettor, "machine.carburettor"
    for field, names in (("symptoms", case.symptoms), ("absent", case.absent)):
        for number, name in enumerate(names):
            yield "symptom", name, f"{field}[{number}]"
    for number, step in enumerate(case.steps):
        path = f"steps[{number}]"
        if isinstance(step, Check):
            yield "check", step.check, f"{path}.check"
        elif isinstance(step, Setting):
            yield "setting", step.setting, f"{path}.set"
        else:
            for position, action in enumerate(step.actions):
                yield "action", action, f"{path}.do[{position}]"
    for number, cause in enumerate(case.causes):
        yield "cause", cause.fault, f"causes[{number}].fault"


def _readings(case: Case) -> Iterator[tuple[str, str]]:
    for number, step in enumerate(case.steps):
        if isinstance(step, Check) and any(char.isdigit() for char in step.found):
            yield f"steps[{number}].found", step.found
        elif isinstance(step, Setting):
            yield f"steps[{number}].from", step.before
            yield f"steps[{number}].to", step.after
