"""A draft as the text of a case file, its unsure entries marked by comments, and as plain data."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from typing import Any

from casebase.record.case import Check, Setting
from casebase.record.casetext import write
from casebase.retain.draft import Draft, DraftCause, DraftStep, as_case
from casebase.retain.story import Entry

_MARK = "# unsure"


def as_file(notes: Draft, day: date, *, title: str = "") -> str:
    """The text of a case file, status open; reading it gives `as_case(notes, day)`.

    Before what is unsure stands a comment that says why and from which sentence it was read. What the notes do not
    say of the required fields is marked too, never filled.
    """
    lines: list[str] = []
    steps = iter(notes.steps)
    head, fence, body = write(as_case(notes, day, title=title)).partition("\n---\n")
    for line in head.split("\n"):
        key = line.partition(":")[0]
        lines += _comments(notes, key)
        if re.match(r"  - (?:check|set|do): ", line):
            step = next(steps)
            lines += [_comment("  ", " and ".join(step.doubts), step.sentences[0])] if step.doubts else []
        lines.append(line)
    return "\n".join(lines) + fence + body


def _comments(notes: Draft, key: str) -> Iterator[str]:
    """The comments that stand before a line of the front matter."""
    entries = {"machine": notes.machine, "symptoms": notes.symptoms, "absent": notes.absent, "history": notes.history,
               "proof": notes.proof, "advice": notes.advice, "complaint": (notes.complaint,), "outcome": (notes.outcome,)}
    if key == "machine" and not any(entry.field == "kind" for entry in notes.machine):
        yield "# the notes do not say what kind of machine it is: add machine.kind"
    if key == "complaint" and notes.complaint is None:
        yield "# the notes do not say what the complaint was"
    for entry in entries.get(key, ()):
        if entry is not None and not entry.sure:
            yield _comment("", f"{entry.value}: {entry.doubt}", entry.sentence)
    for cause in notes.causes if key == "causes" else ():
        if cause.doubt:
            yield _comment("", f"{cause.fault.fault}: {cause.doubt}", cause.sentence)


def _comment(indent: str, why: str, sentence: str) -> str:
    said = "".join(char if char.isprintable() else " " for char in f'{why} ("{sentence}")')
    return f"{indent}{_MARK}: {said}"


def as_json(notes: Draft) -> dict[str, Any]:
    """The draft as plain data: every entry with its sentence and whether it is sure.

    Keys: `machine` and `history` lists of entries with their `field`; `complaint`, `outcome` an entry or None;
    `symptoms`, `absent`, `proof`, `advice` lists of entries; `steps`, `causes`, `readings`; `unread` sentences that gave
    nothing; `unsure` how many entries are for the person to settle.
    """
    return {
        "machine": [_entry(entry) for entry in notes.machine], "complaint": _entry(notes.complaint),
        "symptoms": [_entry(entry) for entry in notes.symptoms], "absent": [_entry(entry) for entry in notes.absent],
        "history": [_entry(entry) for entry in notes.history], "steps": [_step(step) for step in notes.steps],
        "causes": [_cause(cause) for cause in notes.causes], "proof": [_entry(entry) for entry in notes.proof],
        "outcome": _entry(notes.outcome), "advice": [_entry(entry) for entry in notes.advice],
        "readings": [{"value": said.reading.value, "high": said.reading.high, "unit": said.reading.unit, "words": said.reading.text,
                      "sentence": said.sentence} for said in notes.readings],
        "unread": list(notes.unread), "unsure": notes.unsure}


def _entry(entry: Entry | None) -> dict[str, Any] | None:
    if entry is None:
        return None
    return {"field": entry.field, "value": entry.value, "sentence": entry.sentence, "sure": entry.sure, "doubt": entry.doubt}


def _cause(cause: DraftCause) -> dict[str, Any]:
    return {"fault": cause.fault.fault, "explains": list(cause.fault.explains), "sentence": cause.sentence,
            "sure": not cause.doubt, "doubt": cause.doubt}


def _step(told: DraftStep) -> dict[str, Any]:
    step = told.step
    common = {"minutes": None if step.minutes is None else float(step.minutes), "note": step.note, "sentences": list(told.sentences),
              "sure": not told.doubts, "doubts": list(told.doubts)}
    if isinstance(step, Check):
        return {"kind": "check", "terms": [step.check], "found": step.found, "verdict": step.verdict, **common}
    results = {effect.symptom: effect.result for effect in step.effects}
    if isinstance(step, Setting):
        return {"kind": "set", "terms": [step.setting], "from": step.before, "to": step.after, "results": results, **common}
    return {"kind": "do", "terms": list(step.actions), "results": results,
            "parts": None if step.parts is None else float(step.parts), "source": step.source, **common}
