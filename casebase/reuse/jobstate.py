"""A job on the bench as a question: what is still wrong with it, what was looked at, what did not help."""

from __future__ import annotations

from casebase.record.case import Case, Check, Repair
from casebase.retrieve.digest import digest
from casebase.retrieve.lexicon import Lexicon
from casebase.retrieve.understand import MachineSeen, Observation, Understood, understand
from casebase.reuse.nextcheck import VERDICT_ANSWERS, Known


def question_of(case: Case, lexicon: Lexicon) -> tuple[Understood, Known]:
    """The open symptoms of a job as a question, and what its steps have shown so far.

    A symptom that a step cured is over; one that was looked for in vain is absent. A single action that
    changed nothing counts as a failed fix; a bundle does not, since nobody knows which part failed.
    """
    seen = understand(case.complaint, lexicon)
    over = {effect.symptom for step in case.repairs() for effect in step.effects if effect.result == "cured"}
    facts = digest(case, lexicon)
    cured = {lexicon.vocabulary.label("symptom", name) for name in over}
    observations = [Observation("symptom", label, "present", label, 0, 0) for label in facts.symptoms
                    if label not in cured]
    observations += [Observation("symptom", label, "absent", label, 0, 0) for label in facts.absent]
    machine = MachineSeen(facts.kind, facts.engine, facts.carburettor, facts.displacement_cc, facts.age_years)
    question = seen._replace(observations=tuple(observations), machine=machine)
    answers = tuple((step.check, VERDICT_ANSWERS[step.verdict]) for step in case.steps
                    if isinstance(step, Check) and step.verdict)
    return question, Known(answers, tuple(_failed(case)))


def open_symptoms(case: Case) -> tuple[str, ...]:
    """The symptoms of a job that no step has cured yet, in its own words."""
    cured = {effect.symptom for step in case.repairs() for effect in step.effects if effect.result == "cured"}
    return tuple(symptom for symptom in case.symptoms if symptom not in cured)


def _failed(case: Case) -> list[str]:
    failed = []
    for step in case.repairs():
        results = {effect.result for effect in step.effects}
        if isinstance(step, Repair) and len(step.actions) == 1 and results and results <= {"no change", "worse"}:
            failed.append(step.actions[0])
    return failed
