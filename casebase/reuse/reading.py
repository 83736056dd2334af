"""A reading in context: the typical range with its source, the shop's own readings, and what it means."""

from __future__ import annotations

import re
from typing import Literal, NamedTuple

from casebase.problems import refuse
from casebase.record.case import Check, Setting, citation
from casebase.record.folder import load
from casebase.retrieve.index import Index
from casebase.trade.handbook import Limit, limits
from casebase.trade.readings import UNITS, PairCheck, Reading, check_pairs, convert, find_readings
from casebase.trade.terms import Term

MOST_CASES = 200


class Judged(NamedTuple):
    """A limit and how the reading stands to it: "below", "within" or "above"; `means` says what that does."""

    limit: Limit
    stands: str
    means: tuple[str, ...]


class OwnReading(NamedTuple):
    """What the shop read before: the case, the value in the unit of the question, the verdict noted."""

    case: str
    value: float
    verdict: str


class ReadingAnswer(NamedTuple):
    """The answer of `reading`. `pairs` are printed pairs that disagree."""

    term: Term
    reading: Reading
    judged: tuple[Judged, ...]
    own: tuple[OwnReading, ...]
    pairs: tuple[PairCheck, ...]


def in_context(name: str, value: str, index: Index, *, engine: str = "", machine: str = "") -> ReadingAnswer:
    """Holds a reading against published limits and the shop's own record.

    Raises `Refused` for an unknown check, setting, engine or machine, a check this engine or machine has not, a value
    without a unit, a negative one, or a unit of another kind.
    """
    vocabulary = index.lexicon.vocabulary
    term = vocabulary.resolve("check", name) or vocabulary.resolve("setting", name)
    if term is None:
        hint = vocabulary.suggestion("check", name) or vocabulary.suggestion("setting", name)
        raise refuse("unknown-check", f'there is no check or setting "{name}"', hint, field="CHECK")
    engine, machine = _known("engine", engine, index), _known("machine", machine, index)
    for kind, given in (("engine", engine), ("machine", machine)):
        if not term.applies(**{kind: given}):
            raise refuse("not-there", f'a {given} has no "{term.label}"', f"it is read on: {', '.join(dict(term.only)[kind])}",
                         field=f"--{kind}")
    found = find_readings(value)
    if not found:
        raise refuse("no-reading", f'"{value}" holds no number with a unit',
                     f"for example 0.006 {term.unit or 'in'}; units: {', '.join(UNITS)}", field="VALUE")
    reading = found[0]
    if re.match(r"\s*[-−]\s*[\d.]", value) and reading.unit not in ("degC", "degF"):
        raise refuse("negative", f'"{value}" is below nought', f"give 0 {reading.unit} or more", field="VALUE")
    if term.unit:
        _in_unit(reading, term.unit)
    fitting = [limit for limit in limits() if limit.reading == term.label and limit.engine in ("", engine or limit.engine)
               and limit.machine in ("", machine or limit.machine)]
    judged = tuple(_judge(limit, reading) for limit in fitting)
    return ReadingAnswer(term, reading, judged, _own(term, reading, index),
                         tuple(pair for pair in check_pairs(value) if pair.verdict != "ok"))


def _judge(limit: Limit, reading: Reading) -> Judged:
    value = _in_unit(reading, limit.unit)
    if limit.low is not None and value < limit.low - 1e-9:
        return Judged(limit, "below", _causes(limit.below_means))
    if limit.high is not None and value > limit.high + 1e-9:
        return Judged(limit, "above", _causes(limit.above_means))
    return Judged(limit, "within", ())


def _in_unit(reading: Reading, unit: str) -> float:
    try:
        return convert(reading.value, reading.unit, unit)
    except ValueError as error:
        raise refuse("unit", str(error), f"give it in {unit}", field="VALUE") from None


def _known(kind: Literal["engine", "machine"], name: str, index: Index) -> str:
    """The label of an engine or machine; "" stays ""."""
    vocabulary = index.lexicon.vocabulary
    term = vocabulary.resolve(kind, name) if name else None
    if name and term is None:
        raise refuse("choice", f'there is no {kind} "{name}"', f"allowed: {', '.join(vocabulary.terms[kind])}",
                     field=f"--{kind}")
    return term.label if term else ""


def _causes(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in re.split(";", text) if part.strip())


def _own(term: Term, reading: Reading, index: Index) -> tuple[OwnReading, ...]:
    """The shop's readings of the same thing, from the case files, the latest first."""
    own = []
    for case_id in _cases_with(term, index)[:MOST_CASES]:
        case = load(index.folder / f"{case_id}.md", case_id).case
        for step in case.steps if case else ():
            text, verdict = _text_of(step, term, index)
            for found in find_readings(text)[:1]:
                try:
                    own.append(OwnReading(citation(case_id), convert(found.value, found.unit, reading.unit), verdict))
                except ValueError:
                    continue
    return tuple(own)


def _text_of(step: object, term: Term, index: Index) -> tuple[str, str]:
    vocabulary = index.lexicon.vocabulary
    if isinstance(step, Check) and vocabulary.label("check", step.check) == term.label:
        return step.found, step.verdict or ""
    if isinstance(step, Setting) and vocabulary.label("setting", step.setting) == term.label:
        return step.before, "as found"
    return "", ""


def _cases_with(term: Term, index: Index) -> list[str]:
    """Ids of the cases with a step of the check or setting, the latest first."""
    checks = index.cases_with("check", "checks_at", index.tables.known("check", term.label))
    set_before = index.cases_with("effect_bundle", "effects_at", index.tables.known("bundle", [f"set {term.label}"]))
    return sorted({*checks, *set_before}, reverse=True)
