"""Changing a case file without moving anything else in it.

An edit is a splice at a position the parser reported: comments, key order, quoting, line ends and the body
stay byte for byte. After the splice the text is read again and held against what was meant; a file that
does not come out as meant is not written.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from casebase.problems import Problem, Refused, errors, refuse
from casebase.record import folder
from casebase.record.case import Case, Step
from casebase.record.casefile import read, split
from casebase.record.casetext import write_step
from casebase.record.schema import Findings
from casebase.record.yamltree import Items, Mapping, Node, Scalar, parse


def add_step(path: Path, step: Step) -> Case:
    """Adds a step at the end of a case file's steps and returns the case as it now is.

    Raises `Refused` when the file is broken, was changed meanwhile, or cannot be edited safely.
    """
    data = folder.read_bytes(path)
    if isinstance(data, Problem):
        raise Refused(data, usage=False)
    before = read(data, path.stem, str(path))
    if before.case is None:
        raise Refused(*errors(before.problems), usage=False)
    changed = with_step(data, step)
    after = read(changed, path.stem, str(path)).case
    if after != replace(before.case, steps=(*before.case.steps, step)):
        raise refuse("edit", f"{path} is written in a way that cannot be added to safely", "add the step by hand",
                     usage=False)
    if folder.read_bytes(path) != data:
        raise refuse("changed", f"{path} was changed by somebody else meanwhile", "nothing was written; try again",
                     usage=False)
    folder.replace(path, changed)
    return after


def with_step(data: bytes, step: Step) -> bytes:
    """The bytes of a case file with one more step; every other byte stays where it is."""
    mark = "\ufeff" if data.startswith(b"\xef\xbb\xbf") else ""
    text = data.decode("utf-8-sig")
    line_end = "\r\n" if "\r\n" in text else "\n"
    parts = split(text, Findings(""))
    assert parts is not None  # the file was read before
    offset = text.index("\n") + 1
    tree, _problems = parse(parts.front)
    assert isinstance(tree, Mapping)
    steps = tree.get("steps")
    lines = write_step(step)
    if isinstance(steps, Items) and steps.items and text[offset + steps.start] != "[":
        at = _line_end(text, offset + _last_index(steps))
        dash = offset + steps.items[0].start
        indent = " " * (text.rindex("-", 0, dash) - text.rindex("\n", 0, dash) - 1)
        new = "".join(f"{line_end}{indent}{line[2:]}" for line in lines)
    elif steps is None:
        at = offset + len(parts.front)
        new = (line_end if parts.front else "") + line_end.join(["steps:", *lines])
        at -= 1 if text[at - 1] == "\r" else 0
    else:
        raise refuse("edit", "the steps are written in one line", "put each step on lines of its own, then try again",
                     usage=False)
    return (mark + text[:at] + new + text[at:]).encode()


def _last_index(node: Node) -> int:
    """The position just behind the last character of a node, blank lines and comments after it left out."""
    if isinstance(node, Items) and node.items:
        return max(_last_index(item) for item in node.items)
    if isinstance(node, Mapping) and node.entries:
        return max(_last_index(part) for entry in node.entries for part in entry)
    return node.end if isinstance(node, Scalar) else node.start


def _line_end(text: str, position: int) -> int:
    """The end of the line that holds `position`, before its line break."""
    end = text.find("\n", position)
    return end - 1 if text[end - 1] == "\r" else end
