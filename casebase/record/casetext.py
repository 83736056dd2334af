"""A `Case` to the text of a new case file.

Changing an existing file is not done here but by splicing, so that nothing else in it moves.
"""

from __future__ import annotations

import json
import re
from datetime import date
from decimal import Decimal
from typing import Any

from casebase.record.case import Case, Check, Effect, Repair, Setting, Step
from casebase.record.casefile import MACHINE_KEYS

_PLAIN = re.compile(r"[A-Za-z0-9À-ɏ][^\x00-\x1f\x7f-\x9f:#,\[\]{}&*!|>'\"%@`\\\u2028\u2029\ufeff]*")


def scalar(text: str) -> str:
    """`text` as a YAML scalar that reads back as the same text, in flow lists too."""
    if text and text == text.strip() and _PLAIN.fullmatch(text) and text.isprintable():
        return text
    # A lone surrogate has no escape in YAML: it stays, so that the save refuses it instead of spoiling the file.
    return "".join(char if char.isprintable() or "\ud800" <= char <= "\udfff" else f"\\U{ord(char):08x}"
                   for char in json.dumps(text, ensure_ascii=False))


def _flow(values: tuple[str, ...]) -> str:
    return "[" + ", ".join(scalar(value) for value in values) + "]"


def _group(pairs: list[tuple[str, str]]) -> str:
    # Without its mark "?" a key may be at most 1024 characters long.
    return "{" + ", ".join(f"{'? ' if len(key) > 1000 else ''}{key}: {value}" for key, value in pairs) + "}"


def write(case: Case) -> str:
    """The text of a new case file; reading it back gives an equal case (line ends `\\n`)."""
    lines = ["---", f"title: {scalar(case.title)}", f"date: {case.date.isoformat()}", f"status: {case.status}"]
    machine = [(key, scalar(getattr(case.machine, key))) for key in MACHINE_KEYS if getattr(case.machine, key)]
    lines.append(f"machine: {_group(machine)}")
    lines.append(f"complaint: {scalar(case.complaint)}")
    for key, values in (("symptoms", case.symptoms), ("absent", case.absent)):
        if values:
            lines.append(f"{key}: {_flow(values)}")
    history = [(key, scalar(getattr(case.history, key))) for key in ("stored", "fuel", "use")
               if getattr(case.history, key)]
    if case.history.tried_before:
        history.append(("tried before", _flow(case.history.tried_before)))
    if case.history.note:
        history.append(("note", scalar(case.history.note)))
    if history:
        lines.append(f"history: {_group(history)}")
    if case.steps:
        lines.append("steps:")
        for step in case.steps:
            lines += write_step(step)
    if case.causes:
        lines.append("causes:")
        for cause in case.causes:
            pairs = [("fault", scalar(cause.fault))]
            if cause.explains:
                pairs.append(("explains", _flow(cause.explains)))
            lines.append(f"  - {_group(pairs)}")
    lines += _closing(case)
    return "\n".join([*lines, "---", case.body]) + ("\n" if case.body else "")


def _closing(case: Case) -> list[str]:
    lines = [f"proof: {_flow(case.proof)}"] if case.proof else []
    if case.outcome:
        lines.append(f"outcome: {case.outcome}")
    if case.followups:
        lines.append("followups:")
        lines += [f"  - {{date: {news.date.isoformat()}, status: {news.status}}}" for news in case.followups]
    if case.advice:
        lines.append(f"advice: {_flow(case.advice)}")
    if case.comeback_of:
        lines.append(f"comeback of: {scalar(case.comeback_of)}")
    if case.private:
        lines.append(f"private: {_group([(scalar(key), scalar(value)) for key, value in case.private])}")
    return lines


def write_step(step: Step) -> list[str]:
    """The lines of one step, indented as an entry of `steps:`."""
    pairs: list[tuple[str, str]]
    if isinstance(step, Check):
        pairs = [("check", scalar(step.check)), *_some(found=step.found), *_some(verdict=step.verdict)]
    elif isinstance(step, Setting):
        pairs = [("set", scalar(step.setting)), *_some(**{"from": step.before, "to": step.after}),
                 *_effect_pairs(step.effects)]
    else:
        done = scalar(step.actions[0]) if len(step.actions) == 1 else _flow(step.actions)
        pairs = [("do", done), *_effect_pairs(step.effects), *_some(parts=step.parts)]
    pairs += _some(minutes=step.minutes)
    if isinstance(step, Repair):
        pairs += _some(source=step.source)
    pairs += _some(note=step.note, date=step.date)
    return [("  - " if position == 0 else "    ") + f"{key}: {value}" for position, (key, value) in enumerate(pairs)]


def _some(**values: Any) -> list[tuple[str, str]]:
    return [(key, f"{value:f}" if isinstance(value, Decimal) else str(value) if isinstance(value, date)
             else scalar(value))
            for key, value in values.items() if value not in ("", None)]


def _effect_pairs(effects: tuple[Effect, ...]) -> list[tuple[str, str]]:
    if not effects:
        return []
    named = tuple(effect.symptom for effect in effects if effect.symptom)
    results = {effect.result for effect in effects}
    if len(results) == 1:
        return ([("for", _flow(named))] if named else []) + [("result", effects[0].result)]
    return [("result", _group([(scalar(effect.symptom), effect.result) for effect in effects]))]
