"""Reading typed values out of a YAML tree, gathering every problem on the way.

A `Fields` walks one mapping: each `text`, `choice`, `number` ... takes a key, checks it and gives the typed
value or its empty form; `close` names the keys nobody asked for. Nothing raises, so one reading of a file
finds all that is wrong with it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal

from casebase.problems import Place, Problem, Severity, did_you_mean
from casebase.record.tree import Items, Mapping, Node, Scalar

MAX_TEXT = 20_000

_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
_NUMBER = re.compile(r"\d{1,9}(\.\d{1,6})?")


@dataclass(slots=True, eq=False, repr=False)
class Findings:
    """What reading one file brought to light: its problems, and where each field stands."""

    file: str
    problems: list[Problem] = field(default_factory=list)
    places: dict[str, Place] = field(default_factory=dict)
    kept: dict[str, list[str]] = field(default_factory=dict)
    """Of each list of mappings, the paths of the entries that could be used, for example `steps[2]`."""

    def report(self, code: str, message: str, hint: str = "", *, path: str = "", place: Place | None = None,
               severity: Severity = "error") -> None:
        where = place or self.places.get(path, Place())
        self.problems.append(Problem(code, message, hint, file=self.file, place=where, field=path,
                                     severity=severity))


def join(path: str, key: str) -> str:
    return f"{path}.{key}" if path else key


class Fields:
    """One mapping being read. `path` is how its place is named in messages, e.g. `steps[2]`."""

    def __init__(self, node: Mapping, findings: Findings, path: str = "") -> None:
        self.node = node
        self.findings = findings
        self.path = path
        self._left = {name.text: (name, value) for name, value in node.entries}
        findings.places.setdefault(path, node.place)

    def has(self, key: str) -> bool:
        return key in self._left

    def take(self, key: str) -> Node | None:
        entry = self._left.pop(key, None)
        if entry is None:
            return None
        self.findings.places[join(self.path, key)] = entry[1].place
        return entry[1]

    def text(self, key: str, *, required: bool = False) -> str:
        node = self.take(key)
        path = join(self.path, key)
        value = scalar_text(node, self.findings, path) if node is not None else ""
        if required and (node is None or (isinstance(node, Scalar) and not node.text.strip())):
            self.findings.report("missing", f'"{key}" is missing' if node is None else f'"{key}" is empty',
                                 f"{path} must have a value", path=path,
                                 place=self.node.place if node is None else node.place)
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        node = self.take(key)
        return () if node is None else text_list(node, self.findings, join(self.path, key))

    def choice(self, key: str, allowed: Sequence[str], what: str) -> str | None:
        node = self.take(key)
        if node is None:
            return None
        return choice(node, allowed, what, self.findings, join(self.path, key))

    def date(self, key: str, *, required: bool = False) -> date | None:
        text = self.text(key, required=required)
        path = join(self.path, key)
        if not text:
            return None
        if not _DATE.fullmatch(text):
            self.findings.report("date", f'"{shorten(text)}" is not a date', "write it as 2026-04-18", path=path)
            return None
        try:
            return date.fromisoformat(text)
        except ValueError:
            self.findings.report("date", f"{text} is not a day of the calendar", "check month and day", path=path)
            return None

    def number(self, key: str, unit_hint: str) -> Decimal | None:
        text = self.text(key)
        if not text:
            return None
        if not _NUMBER.fullmatch(text):
            self.findings.report("number", f'"{shorten(text)}" is not a plain number', unit_hint,
                                 path=join(self.path, key))
            return None
        return Decimal(text)

    def mapping(self, key: str) -> Fields | None:
        node = self.take(key)
        path = join(self.path, key)
        if node is None:
            return None
        if not isinstance(node, Mapping):
            self.findings.report("shape", f'"{key}" must hold named values', f"for example {key}: {{kind: ...}}"
                                 if key == "machine" else "write them as name: value", path=path)
            return None
        return Fields(node, self.findings, path)

    def each(self, key: str, read: Callable[[Fields], object | None], example: str) -> list[object]:
        """Reads a list of mappings with `read`; entries that are not mappings are reported and left out."""
        node = self.take(key)
        path = join(self.path, key)
        if node is None or (isinstance(node, Scalar) and not node.text):
            return []
        if not isinstance(node, Items):
            self.findings.report("shape", f'"{key}" must be a list', f"for example {example}", path=path)
            return []
        found = []
        kept = self.findings.kept.setdefault(path, [])
        for position, item in enumerate(node.items):
            item_path = f"{path}[{position}]"
            self.findings.places[item_path] = item.place
            if not isinstance(item, Mapping):
                self.findings.report("shape", "is not a set of named values", f"for example {example}",
                                     path=item_path)
                continue
            value = read(Fields(item, self.findings, item_path))
            if value is not None:
                found.append(value)
                kept.append(item_path)
        return found

    def close(self, known: Sequence[str]) -> None:
        """Reports every key that was not taken as unknown, with the nearest known one."""
        for key, (name, _value) in self._left.items():
            self.findings.report("unknown-key", f'"{shorten(key)}" is not a known field',
                                 did_you_mean(key, known) or "allowed: " + ", ".join(known),
                                 path=join(self.path, key), place=name.place)


def scalar_text(node: Node, findings: Findings, path: str) -> str:
    if not isinstance(node, Scalar):
        findings.report("shape", "must be a single text, not a list or a group",
                        'a text holding ": " must stand in quotes' if isinstance(node, Mapping)
                        else "put it in one line", path=path, place=node.place)
        return ""
    if len(node.text) > MAX_TEXT:
        findings.report("too-long", f"is longer than {MAX_TEXT} characters", "move the story into the body",
                        path=path, place=node.place)
        return ""
    return " ".join(node.text.split())


def text_list(node: Node, findings: Findings, path: str) -> tuple[str, ...]:
    """A list of texts; a single text counts as a list of one, an empty value as none."""
    if isinstance(node, Scalar):
        text = scalar_text(node, findings, path)
        return (text,) if text else ()
    if isinstance(node, Mapping):
        findings.report("shape", "must be a list of texts", 'a text holding ": " must stand in quotes', path=path,
                        place=node.place)
        return ()
    values = []
    for position, item in enumerate(node.items):
        findings.places[f"{path}[{position}]"] = item.place
        text = scalar_text(item, findings, f"{path}[{position}]")
        if text:
            values.append(text)
    return tuple(values)


def choice(node: Node, allowed: Sequence[str], what: str, findings: Findings, path: str) -> str | None:
    text = scalar_text(node, findings, path).casefold()
    if text in allowed:
        return text
    if text:
        findings.report("choice", f'"{shorten(text)}" is not {what}', did_you_mean(text, allowed), path=path,
                        place=node.place)
    elif isinstance(node, Scalar):
        findings.report("choice", "is empty", "allowed: " + ", ".join(allowed), path=path, place=node.place)
    return None


def shorten(text: str, limit: int = 60) -> str:
    return text if len(text) <= limit else text[: limit - 1] + "…"
