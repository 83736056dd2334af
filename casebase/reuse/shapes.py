"""The JSON shapes of answers, shared by `--json` and by programs. Keys are stable; see DEVELOPERS.md."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from decimal import Decimal
from typing import Any

from casebase.record.case import Case, Check, Setting, Step, citation
from casebase.retrieve.rank import Match
from casebase.retrieve.understand import Understood
from casebase.reuse.evidence import FixEvidence, SymptomEvidence
from casebase.reuse.firstanswer import FirstAnswer
from casebase.reuse.nextcheck import NextStep, Proposal
from casebase.reuse.reading import ReadingAnswer
from casebase.reuse.weigh import Weighing
from casebase.trade.handbook import Row
from casebase.trade.terms import DEFERS, Term, Vocabulary

Json = dict[str, Any]


def understood(seen: Understood) -> Json:
    return {
        "text": seen.text,
        "terms": [term._asdict() for term in seen.observations],
        "machine": seen.machine._asdict(),
        "readings": [{"value": r.value, "high": r.high, "unit": r.unit, "words": r.text} for r in seen.readings],
        "tried": [tried._asdict() for tried in seen.tried],
        "likely": list(seen.likely),
        "left_over": list(seen.left_over),
        "corrected": [{"written": wrong, "read_as": right} for wrong, right in seen.corrected],
        "doubts": [{"word": word, "meanings": list(meanings)} for word, meanings in seen.doubts],
    }


def match(found: Match) -> Json:
    return {"case": found.id, "number": citation(found.id), "score": round(found.score, 4),
            "causes": list(found.causes),
            "reasons": found.reasons._asdict() | {"likely": {cause: round(chance, 4)
                                                             for cause, chance in found.reasons.likely}}}


def fix(evidence: FixEvidence) -> Json:
    def interval(value: Any) -> list[float] | None:
        return None if value is None else [round(value.low, 4), round(value.high, 4)]

    return {
        "actions": list(evidence.actions), "tried": evidence.tried,
        "cases": {result: list(ids) for result, ids in evidence.cases.items()},
        "in_words": evidence.in_words, "effective_cases": round(evidence.evidence.n, 3),
        "wilson": interval(evidence.wilson), "beta": interval(evidence.beta),
        "median_minutes": evidence.minutes, "median_parts": evidence.parts,
        "came_back": list(evidence.came_back), "last": evidence.last.isoformat() if evidence.last else None,
    }


def symptom_evidence(part: SymptomEvidence) -> Json:
    return {"symptom": part.symptom, "cases": part.cases, "fixes": [fix(item) for item in part.fixes],
            "set_aside": [fix(item) for item in part.set_aside]}


def handbook_row(row: Row) -> Json:
    return {"symptoms": list(row.symptoms), "cause": row.cause, "printed_cause": row.printed_cause,
            "remedy": row.remedy, "action": row.action, "basis": row.basis, "source": row.source}


def hazard(term: Term) -> Json:
    return {"hazard": term.label, "caution": term.caution}


def first_answer(answer: FirstAnswer) -> Json:
    return {
        "understood": understood(answer.question), "cases_in_folder": answer.cases, "similar_cases": answer.similar,
        "neighbours": [match(found) for found in answer.ranking.shown],
        "evidence": [symptom_evidence(part) for part in answer.evidence],
        "handbook": [handbook_row(row) for row in answer.handbook], "handbook_more": answer.handbook_more,
        "cautions": [hazard(term) for term in answer.cautions],
        "ends_fixed": {"chance": answer.prospect.chance, **answer.prospect.neighbours._asdict()},
    }


def cautions(terms: Iterable[Term | None], vocabulary: Vocabulary) -> Json:
    """The cautions of the work proposed, and the line that defers to those who know better."""
    found = vocabulary.cautions(terms)
    return {"cautions": [hazard(term) for term in found], "defers": DEFERS if found else ""}


def next_step(step: NextStep, vocabulary: Vocabulary) -> Json:
    return {
        "causes": [{"cause": cause, "chance": round(float(chance), 4), "cases": list(step.belief.cases.get(cause, ())),
                    "sources": sorted({row.source for row in step.belief.rows.get(cause, ())})}
                   for cause, chance in zip(step.belief.causes, step.belief.chances, strict=True)],
        "two_faults": step.two_faults, "settled": step.settled,
        "proposals": [_proposal(item) for item in step.proposals],
        **cautions((item.term for item in step.proposals), vocabulary),
    }


def _proposal(item: Proposal) -> Json:
    return {
        "kind": item.kind, "name": item.term.label, "minutes": round(item.minutes, 1), "cost": round(item.cost, 2),
        "saves": round(item.saves, 2), "price_known": item.price_known, "first_for_safety": item.first_for_safety,
        "helps": round(item.works, 4) if item.kind == "fix" else None, "cases": list(item.cases),
        "outcomes": [{"answer": outcome.answer, "chance": round(outcome.chance, 4),
                      "causes": [{"cause": cause, "chance": round(chance, 4)} for cause, chance in outcome.causes]}
                     for outcome in item.outcomes],
        "hazards": list(item.term.hazards), "how": item.term.how,
    }


def weighing(answer: Weighing, vocabulary: Vocabulary) -> Json:
    names = [name for item in answer.fixes for name in item.step.name.split(" + ")]
    terms = [vocabulary.resolve("action", name) or vocabulary.resolve("setting", name.removeprefix("set "))
             for name in names]
    return {
        "symptom": answer.symptom, "currency": answer.currency, "hourly_rate": answer.hourly,
        "order": [step.name for step in answer.course.steps], "left_out": list(answer.left_out),
        "expected_cost": round(answer.outlook.cost, 2), "cost_interval": [round(v, 2) for v in answer.cost],
        "cured": round(answer.outlook.cured, 4), "worst_cost": round(answer.outlook.worst, 2),
        "otherwise": answer.course.fallback,
        "fixes": [{
            "fix": item.step.name, "price": item.step.price, "price_known": item.price_known, "minutes": item.step.minutes,
            "chance": round(item.step.chance, 4), "by_hand": item.given.chance is not None or item.given.counts is not None,
            "evidence": fix(item.evidence) if item.evidence else None,
            "pays_under": None if item.pays_under is None else round(item.pays_under, 2),
            "difference": item.without and {"mean": round(item.without.mean, 2), "low": round(item.without.low, 2),
                                            "high": round(item.without.high, 2),
                                            "cheaper_with": round(item.without.first_cheaper, 4)},
        } for item in answer.fixes],
        "keeping": answer.keeping and {"repair_per_year": round(answer.keeping.repair, 2),
                                       "replacement_per_year": round(answer.keeping.replacement, 2),
                                       "break_even_chance": answer.keeping.break_even},
        **cautions(terms, vocabulary),
    }


def reading(answer: ReadingAnswer, vocabulary: Vocabulary) -> Json:
    return {
        "what": answer.term.label, "value": answer.reading.value, "unit": answer.reading.unit,
        "limits": [{"condition": item.limit.condition, "low": item.limit.low, "high": item.limit.high,
                    "unit": item.limit.unit, "basis": item.limit.basis, "source": item.limit.source,
                    "stands": item.stands, "means": list(item.means)} for item in answer.judged],
        "own": [own._asdict() for own in answer.own],
        "pairs_that_disagree": [pair.explanation for pair in answer.pairs],
        **cautions([answer.term], vocabulary),
    }


def case(record: Case) -> Json:
    """A case as data. Its private part is never in it."""
    data = {name: _plain(getattr(record, name)) for name in (
        "id", "title", "date", "status", "machine", "complaint", "symptoms", "absent", "history", "causes", "proof",
        "outcome", "followups", "advice", "comeback_of", "body")}
    data["number"] = record.number
    data["steps"] = [_step(step) for step in record.steps]
    return data


def _step(step: Step) -> Json:
    kind = "check" if isinstance(step, Check) else "set" if isinstance(step, Setting) else "do"
    return {"kind": kind, **_plain(step)}


def _plain(value: Any) -> Any:
    if hasattr(value, "_asdict"):  # the parts of a case are named tuples
        return {name: _plain(item) for name, item in value._asdict().items()}
    if isinstance(value, (tuple, list)):
        return [_plain(item) for item in value]
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Decimal):
        return float(value)
    return value
