"""The hand-over sheet of one job, for its owner: what was wrong, what was done, what to mind. One page.

The only output that shows the private part of a case, because it goes to the person it is about.
"""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal

from casebase.record.case import Case, Check, Repair, Setting, citation
from casebase.record.settings import Settings
from casebase.reuse.page import Block, Page
from casebase.trade.terms import DEFERS, Term, Vocabulary

RESULTS = {"cured": "cured it", "better": "helped, but did not cure it", "no change": "changed nothing",
           "worse": "made it worse, and was put right", "not tested": "could not be tried out"}
OUTCOMES = {
    "fixed": "The machine is repaired.", "partly fixed": "The machine is partly repaired; see what still needs doing.",
    "not fixed": "The machine could not be repaired.", "no fault found": "No fault was found.",
    "not worth fixing": "The repair is not worth its cost.", "declined": "The job was not taken on.",
}
# What keeps a small petrol engine (common practice, no source).
PETROL_CARE = (
    "Use fresh petrol. Before it stands for more than a month, drain the tank outdoors with the engine cold, "
    "or run it dry.",
    "Store it clean and dry, away from heaters and flames, with the plug cap off.",
)
FOUR_STROKE_CARE = "Check the oil level on level ground each time before you start it."
TWO_STROKE_CARE = "Mix the oil into the fuel as the manual says, and shake the can before you fill."
OWNERS_HAZARDS = frozenset({"fuel vapour", "moving attachment", "flying debris", "hot parts", "carbon monoxide"})


def sheet(case: Case, settings: Settings, vocabulary: Vocabulary) -> Page:
    """The sheet of a job, open or closed. An empty field leaves its block out."""
    machine = case.machine
    facts = [part for part in (machine.kind, machine.engine, machine.displacement, machine.make, machine.model,
                               f"tag {machine.tag}" if machine.tag else "") if part]
    owner = tuple(f"{key}: {value}" for key, value in case.private if value)
    state = "This job is still open." if case.status == "open" else OUTCOMES.get(case.outcome or "", "")
    return Page(f"Job {citation(case.id)}: {', '.join(facts)}", (
        Block("", (f"{case.date.isoformat()}. {state}".strip(), *owner)),
        Block("What you told us", (case.complaint,)),
        Block("What was found", tuple(_findings(case)), "list"),
        Block("What was done", tuple(_work(case)), "list"),
        Block("Settings as left", tuple(_settings(case)), "list"),
        Block("How we know", case.proof, "list"),
        Block("Parts and time", tuple(_costs(case, settings)), "list"),
        Block("What still needs doing", tuple(_open_matters(case)), "list"),
        Block("How to run and store it", (*case.advice, *_care(machine.engine, vocabulary)), "list"),
        Block("Take care", tuple(f"{term.label}: {term.caution}" for term in _cautions(case, vocabulary)), "list"),
        Block("", (DEFERS,)),
    ))


def _findings(case: Case) -> Iterable[str]:
    for step in case.steps:
        if isinstance(step, Check) and (step.found or step.verdict):
            verdict = {"ok": "in order", "bad": "not in order", "unsure": "not certain"}.get(step.verdict or "", "")
            yield f"{step.check}: {', '.join(part for part in (step.found, verdict) if part)}"
    for cause in case.causes:
        explains = f" (it explains: {', '.join(cause.explains)})" if cause.explains else ""
        yield f"cause: {cause.fault}{explains}"


def _work(case: Case) -> Iterable[str]:
    for step in case.steps:
        if isinstance(step, Repair):
            results: dict[str, list[str]] = {}
            for effect in step.effects:
                results.setdefault(RESULTS[effect.result], []).append(effect.symptom)
            told = [result + (f" ({', '.join(symptoms)})" if any(symptoms) else "")
                    for result, symptoms in results.items()]
            yield f"{' and '.join(step.actions)}{': ' + '; '.join(told) if told else ''}"


def _settings(case: Case) -> Iterable[str]:
    """The last value of each setting, with the one it had when it came in."""
    first: dict[str, str] = {}
    last: dict[str, str] = {}
    for step in case.steps:
        if isinstance(step, Setting):
            first.setdefault(step.setting, step.before)
            last[step.setting] = step.after
    for name, after in last.items():
        before = f" (it came in at {first[name]})" if first[name] else ""
        yield f"{name}: {after}{before}"


def _costs(case: Case, settings: Settings) -> Iterable[str]:
    parts = Decimal(0)
    minutes = Decimal(0)
    for step in case.steps:
        minutes += step.minutes or 0
        if isinstance(step, Repair) and step.parts is not None:
            parts += step.parts
            yield f"{' and '.join(step.actions)}: {step.parts:.2f} {settings.currency}"
    if parts:
        yield f"parts together {parts:.2f} {settings.currency}"
    if minutes:
        yield f"time noted: {minutes.normalize():f} min"


def _open_matters(case: Case) -> Iterable[str]:
    """Symptoms that no step cured, and what the owner should do by when if a follow-up is planned."""
    cured = {effect.symptom for step in case.steps if not isinstance(step, Check) for effect in step.effects
             if effect.result == "cured"}
    if case.outcome == "fixed" and ("" in cured or not cured):
        return
    for symptom in case.symptoms:
        if symptom not in cured and not (case.outcome == "fixed" and "" in cured):
            yield f"not cured: {symptom}"


def _care(engine: str, vocabulary: Vocabulary) -> tuple[str, ...]:
    label = vocabulary.label("engine", engine)
    if label == "four-stroke":
        return (*PETROL_CARE, FOUR_STROKE_CARE)
    return (*PETROL_CARE, TWO_STROKE_CARE) if label == "two-stroke" else ()


def _cautions(case: Case, vocabulary: Vocabulary) -> tuple[Term, ...]:
    """What an owner meets who runs, fuels and stores the machine, of the hazards of this job."""
    names: list[tuple[str, str]] = [("symptom", symptom) for symptom in case.symptoms]
    for step in case.steps:
        if isinstance(step, Check):
            names.append(("check", step.check))
        elif isinstance(step, Setting):
            names.append(("setting", step.setting))
        else:
            names += [("action", action) for action in step.actions]
    met = vocabulary.cautions(vocabulary.resolve(kind, name) for kind, name in names)  # type: ignore[arg-type]
    return tuple(term for term in met if term.label in OWNERS_HAZARDS)
