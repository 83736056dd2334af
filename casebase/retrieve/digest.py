"""What the index keeps of a case: features, labels and numbers, never its private part and never its prose."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from casebase.record.case import Case, Check, Repair, Result, Setting
from casebase.retrieve.lexicon import Lexicon
from casebase.retrieve.text import add_features, said
from casebase.retrieve.understand import Understood, understand
from casebase.trade.readings import find_readings

# Weight of each field's words. The complaint is what a new complaint will be compared with.
COMPLAINT, TITLE, TERMS, STORY = 2.0, 1.5, 1.0, 0.5


class EffectRow(NamedTuple):
    """One action or bundle and what it did to one symptom ("" where the file does not say which)."""

    step: int
    actions: tuple[str, ...]
    symptom: str
    result: Result
    minutes: float | None
    parts: float | None


class CheckRow(NamedTuple):
    """One check and its verdict ("ok", "bad", "unsure" or "")."""

    check: str
    verdict: str


class Digest(NamedTuple):
    """One case as the index knows it. Labels are the vocabulary's where it has the term, else as typed.

    `said` are the words of the complaint, from which the learned part learns; title and status are only shown.
    """

    id: str
    features: dict[str, float]
    symptoms: tuple[str, ...]
    absent: tuple[str, ...]
    causes: tuple[str, ...]
    kind: str
    engine: str
    carburettor: str
    displacement_cc: float | None
    age_years: float | None
    cluster: str
    day: int
    outcome: str
    came_back: bool
    effects: tuple[EffectRow, ...]
    checks: tuple[CheckRow, ...]
    said: str = ""
    title: str = ""
    status: str = "closed"


def digest(case: Case, lexicon: Lexicon) -> Digest:
    """The digest of a case. Where no symptoms are listed they are read from the complaint."""
    vocabulary = lexicon.vocabulary
    symptoms = tuple(dict.fromkeys(vocabulary.label("symptom", name) for name in case.symptoms))
    if not symptoms:
        read = _read(case.complaint, lexicon)
        symptoms = read.symptoms if read else ()
    machine = case.machine
    return Digest(
        id=case.id,
        features=add_features(_fields(case), lexicon.folding),
        symptoms=symptoms,
        absent=tuple(dict.fromkeys(vocabulary.label("symptom", name) for name in case.absent)),
        causes=tuple(dict.fromkeys(vocabulary.label("cause", cause.fault) for cause in case.causes)),
        kind=vocabulary.label("machine", machine.kind),
        engine=vocabulary.label("engine", machine.engine),
        carburettor=vocabulary.label("carburettor", machine.carburettor),
        displacement_cc=_quantity(machine.displacement, "cc"),
        age_years=_quantity(machine.age, "year"),
        cluster=f"tag {machine.tag}" if machine.tag else f"case {case.comeback_of or case.id}",
        day=case.date.toordinal(),
        outcome=case.outcome or "",
        came_back=case.came_back,
        effects=tuple(_effects(case, lexicon)),
        checks=tuple(CheckRow(vocabulary.label("check", step.check), step.verdict or "")
                     for step in case.steps if isinstance(step, Check)),
        said=said(case.complaint),
        title=case.title,
        status=case.status,
    )


def _read(text: str, lexicon: Lexicon) -> Understood | None:
    return understand(text[:2000], lexicon) if any(char.isalnum() for char in text) else None


def _fields(case: Case) -> Iterator[tuple[str, float]]:
    yield case.complaint, COMPLAINT
    yield case.title, TITLE
    yield from ((term, TERMS) for term in (*case.symptoms, *(cause.fault for cause in case.causes)))
    for step in case.steps:
        if isinstance(step, Check):
            yield f"{step.check} {step.found} {step.note}", STORY
        elif isinstance(step, Setting):
            yield f"{step.setting} {step.note}", STORY
        else:
            yield f"{' '.join(step.actions)} {step.note}", STORY
    yield case.body, STORY


def _effects(case: Case, lexicon: Lexicon) -> Iterator[EffectRow]:
    for number, step in enumerate(case.steps):
        if isinstance(step, Check):
            continue
        actions = actions_of(step, lexicon)
        parts = float(step.parts) if isinstance(step, Repair) and step.parts is not None else None
        minutes = float(step.minutes) if step.minutes is not None else None
        for effect in step.effects:
            symptom = lexicon.vocabulary.label("symptom", effect.symptom) if effect.symptom else ""
            yield EffectRow(number, actions, symptom, effect.result, minutes, parts)


def actions_of(step: Setting | Repair, lexicon: Lexicon) -> tuple[str, ...]:
    """The labels of what a step did; a setting reads "set low-speed screw". A bundle is sorted."""
    if isinstance(step, Setting):
        return (f"set {lexicon.vocabulary.label('setting', step.setting)}",)
    return tuple(sorted({lexicon.vocabulary.label("action", action) for action in step.actions}))


def _quantity(text: str, unit: str) -> float | None:
    """The number of a quantity when it has the unit expected ("45 cc", "6 years"); None when unknown."""
    return next((reading.value for reading in find_readings(text) if reading.unit == unit), None)
