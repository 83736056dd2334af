"""Changing a case file without moving anything else in it.

An edit is a splice at a position the parser reported: comments, key order, quoting, line ends and the body
stay byte for byte. After the splice the text is read again and held against what was meant; a file that
does not come out as meant is not written.
"""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

from casebase.problems import Problem, Refused, errors, refuse
from casebase.record import folder
from casebase.record.case import Case, Check, Effect, Fault, Followup, Repair, Step
from casebase.record.casefile import CASE_KEYS, HISTORY_KEYS, MACHINE_KEYS, STEP_KEYS, read, split
from casebase.record.casetext import scalar, write_step
from casebase.record.schema import Findings
from casebase.record.tree import Items, Node, Scalar, is_flow, last, parse
from casebase.record.tree import Mapping as Group

PATIENCE = 10.0
"""Seconds to wait for another process that is writing into the folder."""

LISTS = ("symptoms", "absent", "proof", "advice")
"""The fields that hold a list of texts and can be added to."""


class Changes(NamedTuple):
    """What is to change in one file.

    `texts` are single values by field ("status", "machine.tag"), set anew; `added` are texts to put at the end of
    one of the `LISTS`; `steps`, `faults` and `followups` come at the end of theirs; `effects` replace what a step
    did, by the step's position from 0.
    """

    texts: Mapping[str, str] = {}
    added: Mapping[str, tuple[str, ...]] = {}
    steps: tuple[Step, ...] = ()
    faults: tuple[Fault, ...] = ()
    effects: Mapping[int, tuple[Effect, ...]] = {}
    followups: tuple[Followup, ...] = ()

    def of(self, case: Case) -> Case:
        """The case as it is meant to be afterwards."""
        fields: dict[str, Any] = {key: (*getattr(case, key), *values) for key, values in self.added.items()}
        for key, value in self.texts.items():
            group, _, name = key.rpartition(".")
            if group:
                fields[group] = fields.get(group, getattr(case, group))._replace(**{name: value})
            else:
                fields[key.replace(" ", "_")] = date.fromisoformat(value) if key == "date" else value
        steps = [step if isinstance(step, Check) or number not in self.effects
                 else step._replace(effects=self.effects[number]) for number, step in enumerate(case.steps)]
        return replace(case, steps=(*steps, *self.steps), causes=(*case.causes, *self.faults),
                       followups=(*case.followups, *self.followups), **fields)


def add_step(path: Path, step: Step, seen: bytes | None = None) -> Case:
    """Adds a step at the end of a case file's steps and returns the case as it now is.

    Parameters: `seen` as for `change`; without it the step goes to the end of whatever steps there are by now.
    Raises `Refused` when the file is broken, was changed meanwhile, or cannot be edited safely.
    """
    return _write(path, lambda data: with_step(data, step), Changes(steps=(step,)), seen)


def change(path: Path, changes: Changes, seen: bytes | None = None) -> Case:
    """Makes all the changes to a case file at once, or none, and returns the case as it now is.

    Parameters: `seen`, the bytes the changes were thought out on; a file that holds others by now is left alone.
    Raises `Refused` as `add_step` does.
    """
    return _write(path, lambda data: with_changes(data, changes), changes, seen)


def _write(path: Path, splice: Callable[[bytes], bytes], changes: Changes, seen: bytes | None) -> Case:
    with alone(path.parent):
        data = folder.read_bytes(path)
        if isinstance(data, Problem):
            raise Refused(data, usage=False)
        if seen is not None and data != seen:
            raise _changed(path)
        before = read(data, path.stem, str(path))
        if before.case is None:
            raise Refused(*errors(before.problems), usage=False)
        changed = splice(data)
        reading = read(changed, path.stem, str(path))
        after = reading.case
        if after is None:
            raise Refused(*errors(reading.problems))
        meant = changes.of(before.case)
        if "outcome" in changes.texts and "status" not in changes.texts:
            meant = replace(meant, status=after.status)  # without a status of its own, an outcome closes a case
        if after != meant:
            raise refuse("edit", f"{path} is written in a way that cannot be changed safely", "change it by hand",
                         usage=False)
        if folder.read_bytes(path) != data:
            raise _changed(path)
        folder.replace(path, changed)
        return after


def _changed(path: Path) -> Refused:
    return refuse("changed", f"{path} was changed by somebody else meanwhile", "nothing was written; try again",
                  usage=False)


@contextmanager
def alone(place: Path) -> Iterator[None]:
    """Keeps other processes of this program from writing into a folder meanwhile.

    The lock is on the folder itself, so no file is left behind, and it goes with the process that holds it. Where
    the system cannot lock a folder, nothing is locked. Raises `Refused` after `PATIENCE` seconds of waiting.
    """
    try:
        handle = os.open(place, os.O_RDONLY)
    except OSError as error:
        raise refuse("no-folder", f"{place} cannot be opened ({error.strerror})", "check that it exists",
                     field="--cases") from error
    try:
        _lock(handle, place)
        yield
    finally:
        os.close(handle)


def _lock(handle: int, place: Path) -> None:
    until = time.monotonic() + PATIENCE
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        except BlockingIOError:
            if time.monotonic() > until:
                raise refuse("busy", f"{place} is being written to by another process", "try again in a moment",
                             usage=False) from None
            time.sleep(0.01)
        except OSError:  # a file system without locks
            return


def with_step(data: bytes, step: Step) -> bytes:
    """The bytes of a case file with one more step; every other byte stays where it is."""
    return with_changes(data, Changes(steps=(step,)))


def with_changes(data: bytes, changes: Changes) -> bytes:
    """The bytes of a case file with the changes; every other byte stays where it is."""
    text = _Text(data)
    top = text.tree
    for number, effects in changes.effects.items():
        text.set_effects(number, effects)
    for key in sorted(changes.texts, key=_rank):
        group, _, name = key.rpartition(".")
        if not group:
            text.put(top, key, scalar(changes.texts[key]), CASE_KEYS)
            continue
        inner = top.get(group)
        order = MACHINE_KEYS if group == "machine" else HISTORY_KEYS
        if isinstance(inner, Group):
            text.put(inner, name, scalar(changes.texts[key]), order)
        else:
            text.put(top, group, f"{{{name}: {scalar(changes.texts[key])}}}", CASE_KEYS)
    lists = {key: [[scalar(value)] for value in values] for key, values in changes.added.items() if values}
    lists["followups"] = [[f"{{date: {news.date.isoformat()}, status: {news.status}}}"] for news in changes.followups]
    lists["causes"] = [[_fault(fault)] for fault in changes.faults]
    lists["steps"] = [_unindented(write_step(step)) for step in changes.steps]
    for key in sorted(lists, key=_rank):
        if lists[key]:
            text.add(top, key, lists[key])
    return text.bytes()


def _rank(key: str) -> int:
    return CASE_KEYS.index(key.partition(".")[0])


def _fault(fault: Fault) -> str:
    explains = f", explains: {_flow(map(scalar, fault.explains))}" if fault.explains else ""
    return f"{{fault: {scalar(fault.fault)}{explains}}}"


def _flow(values: Iterator[str] | Sequence[str]) -> str:
    return "[" + ", ".join(values) + "]"


def _unindented(lines: Sequence[str]) -> list[str]:
    return [line[4:] for line in lines]


# Of splices at one place the inner ones come first: keys of an entry, then new entries, then new keys of the case.
_ENTRY, _OUTER = 50, 100


class _Text:
    """The text of a case file and the splices to be made in it. Nodes count from the start of the front matter."""

    def __init__(self, data: bytes) -> None:
        self.mark = "\ufeff" if data.startswith(b"\xef\xbb\xbf") else ""
        self.text = data.decode("utf-8-sig")
        self.line_end = "\r\n" if "\r\n" in self.text else "\n"
        self.offset = self.text.index("\n") + 1
        parts = split(self.text, Findings(""))
        assert parts is not None  # the file was read before
        tree, _problems = parse(parts.front)
        assert isinstance(tree, Group)
        self.tree, self.front = tree, parts.front
        self.splices: list[tuple[int, int, int, str]] = []

    def bytes(self) -> bytes:
        pieces, at = [self.mark], 0
        for start, _rank, end, new in sorted(self.splices, key=lambda splice: splice[:2]):
            pieces += [self.text[at:start], new]
            at = end
        return "".join([*pieces, self.text[at:]]).encode()

    def splice(self, start: int, end: int, new: str, rank: int = 0) -> None:
        """Notes a splice. Of two at one place, the one of lower `rank` comes first."""
        self.splices.append((self.offset + start, rank, self.offset + end, new))

    def is_flow(self, node: Node) -> bool:
        return is_flow(self.front, node)

    def put(self, group: Group, key: str, value: str, order: Sequence[str]) -> None:
        """Sets a value in a mapping; a new key goes behind those that come before it in `order`.

        A value of several lines begins with a line end.
        """
        node = group.get(key)
        spaced = value if value.startswith(("\r", "\n")) else f" {value}"
        if node is not None:
            empty = isinstance(node, Scalar) and node.start == node.end
            if not isinstance(node, Scalar) and not self.is_flow(node):
                raise _by_hand(key)
            self.splice(node.start, self.last(node), spaced if empty else value)
            return
        before = [value for name, value in group.entries if name.text in order[:order.index(key)]]
        rank = order.index(key) + (_OUTER if order is CASE_KEYS else 0)
        if self.is_flow(group):
            at = self.last(before[-1]) if before else group.start + 1
            self.splice(at, at, f", {key}:{spaced}" if before else f"{key}:{spaced}" + ", " * bool(group.entries), rank)
        else:
            at = max((self.line(self.last(node)) for node in before), default=group.start)
            self.splice(at, at, f"{self.line_end}{' ' * self.column(group.start)}{key}:{spaced}", rank)

    def add(self, group: Group, key: str, entries: list[list[str]]) -> None:
        """Puts entries at the end of a list. An entry is its lines; steps and causes have lines of their own."""
        node = group.get(key)
        if isinstance(node, Group) or (key == "steps" and self.is_flow(node if isinstance(node, Items) and node.items
                                                                       else group)):
            raise _by_hand(key)
        flow = [entry[0] for entry in entries]
        if isinstance(node, Items) and node.items and self.is_flow(node):
            at = self.last(node.items[-1])
            self.splice(at, at, "".join(f", {entry}" for entry in flow))
        elif isinstance(node, Items) and node.items:
            dash = self.text.rindex("-", 0, self.offset + node.items[0].start) - self.offset
            at = self.line(self.last(node))
            self.splice(at, at, self.block(entries, self.column(dash)), _ENTRY)
        elif isinstance(node, Scalar) and node.text:
            self.splice(node.start, self.last(node), _flow([scalar(node.text), *flow]))
        elif key in LISTS or self.is_flow(group):
            self.put(group, key, _flow(flow), CASE_KEYS)
        elif node is None:
            self.put(group, key, self.block(entries, 2), CASE_KEYS)
        else:  # "steps:" or "steps: []", perhaps with a comment behind
            before = self.text[:self.offset + node.start]
            self.splice(len(before.rstrip(" ")) - self.offset, self.last(node), "")
            at = self.line(self.last(node))
            self.splice(at, at, self.block(entries, 2), _ENTRY)

    def block(self, entries: list[list[str]], indent: int) -> str:
        """Entries as lines of their own behind a dash, each beginning with a line end."""
        return "".join(f"{self.line_end}{' ' * indent}{'  ' if number else '- '}{line}"
                       for entry in entries for number, line in enumerate(entry))

    def set_effects(self, number: int, effects: tuple[Effect, ...]) -> None:
        """Writes what the step at `number` did to which symptom."""
        steps = self.tree.get("steps")
        assert isinstance(steps, Items)
        step = steps.items[number]
        assert isinstance(step, Group)
        kind = next(kind for kind in STEP_KEYS if step.get(kind) is not None)
        lines = write_step(Repair(("x",), effects))[1:]
        for key, value in (line.strip().split(": ", 1) for line in lines):
            self.put(step, key, value, STEP_KEYS[kind])

    def column(self, position: int) -> int:
        return self.offset + position - self.text.rindex("\n", 0, self.offset + position) - 1

    def last(self, node: Node) -> int:
        """The position just behind the last character of a node, blank lines and comments after it left out."""
        return last(self.front, node)

    def line(self, position: int) -> int:
        """The end of the line that holds `position`, before its line break."""
        end = self.text.find("\n", self.offset + position)
        return (end - 1 if self.text[end - 1] == "\r" else end) - self.offset


def _by_hand(key: str) -> Refused:
    return refuse("edit", f"the {key} are written in a way that cannot be added to safely",
                  "put each on a line of its own, then try again", usage=False)
