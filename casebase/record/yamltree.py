"""YAML text to a tree of nodes with places; nothing is typed here.

The usual loaders guess types (`012` becomes 10, `no` becomes False), let a repeated key win silently and
follow aliases without end. Here every scalar stays the text that was typed, and aliases, anchors, tags and
repeated keys are refused with their place. The schema that reads the tree gives the types.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import yaml

from casebase.problems import Place, Problem
from casebase.record.tree import Items, Mapping, Node, Scalar

MAX_DEPTH = 16

_Loader: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class _Stop(Exception):
    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.message)
        self.problem = problem


def parse(text: str, *, first_line: int = 1) -> tuple[Node | None, list[Problem]]:
    """Reads one YAML document.

    Parameters: `text`, whose first line stands at line `first_line` of its file.
    Returns the tree (None where the text is empty or could not be read) and what is wrong. Repeated keys are
    reported and the first one is kept, so that the rest of the file can still be checked.
    """
    builder = _Builder(first_line)
    try:
        return builder.document(yaml.parse(text, Loader=_Loader)), builder.problems
    except _Stop as stop:
        return None, [*builder.problems, stop.problem]
    except yaml.MarkedYAMLError as error:
        line, column, remedy = _diagnose(error, text.split("\n"))
        return None, [*builder.problems, Problem("yaml", f"cannot be read as YAML ({error.problem})", remedy,
                                                 place=Place(first_line + line, column + 1))]
    except yaml.YAMLError:
        odd = yaml.reader.Reader.NON_PRINTABLE.search(text)
        start = odd.start() if odd else 0
        place = Place(first_line + text.count("\n", 0, start), start - text.rfind("\n", 0, start))
        return None, [*builder.problems, Problem("yaml", "holds a character YAML does not allow (U+"
                                                 f"{ord(text[start]):04X})", "remove it", place=place)]


_GLUED = re.compile(r"[ -]*[^\W\d][\w ]*:(?=\S)")


def _diagnose(error: yaml.MarkedYAMLError, lines: list[str]) -> tuple[int, int, str]:
    """The line and column to name, from 0, and the remedy.

    The parser says where it gave up. What has to be mended is where an unclosed quote or bracket was opened, or
    the line above, when its colon lacks the space that would make it a field.
    """
    mark: Any = error.problem_mark or error.context_mark
    opened: Any = error.context_mark
    context, problem = str(error.context), str(error.problem)
    glued = _GLUED.match(lines[mark.line - 1]) if mark.line else None
    if glued and "mapping values are not allowed" in problem:
        return mark.line - 1, glued.end() - 1, _SPACE
    here = lines[mark.line] if mark.line < len(lines) else ""
    left_open = "flow" in context and opened.line < mark.line and not here[:1].isspace()
    if left_open or context.startswith(("while scanning a quoted scalar", "while scanning a simple key")):
        mark = opened
    return mark.line, mark.column, _remedy(problem, here[mark.column:mark.column + 1])


_SPACE = 'write "name: value", with a space after the colon'


def _remedy(problem: str, char: str) -> str:
    if "mapping values are not allowed" in problem:
        return 'a text holding ": " must stand in quotes'
    if "tab" in problem or char == "\t":
        return "indent with spaces, not tabs"
    if "expected" in problem and ("','" in problem or "']'" in problem or "'}'" in problem):
        return "a bracket or comma is missing"
    if "found unexpected end" in problem or "document indicator" in problem:
        return "a quotation mark is not closed"
    if "could not find expected ':'" in problem:
        return _SPACE
    if "nesting depth" in problem:
        return "flatten it"
    if "document start" in problem:
        return "remove the line that begins with ... or %"
    if "cannot start any token" in problem:
        return "a text that begins with a special character must stand in quotes"
    return "check indentation, colons and quotes on this line and the one above"


def _index(mark: Any) -> int:
    return int(mark.index)


class _Builder:
    """Builds the tree from parser events, refusing what the schema could not see any more."""

    def __init__(self, first_line: int) -> None:
        self.first_line = first_line
        self.problems: list[Problem] = []

    def place(self, mark: Any) -> Place:
        return Place(mark.line + self.first_line, mark.column + 1)

    def document(self, events: Iterator[Any]) -> Node | None:
        node: Node | None = None
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent) and node is not None:
                raise _Stop(Problem("yaml-documents", "holds a second YAML document",
                                    "keep one block between the two --- lines", place=self.place(event.start_mark)))
            if isinstance(event, yaml.NodeEvent):
                node = self.node(event, events, 0)
        return node

    def node(self, event: Any, events: Iterator[Any], depth: int) -> Node:
        place = self.place(event.start_mark)
        if isinstance(event, yaml.AliasEvent):
            raise _Stop(Problem("yaml-alias", f"uses an alias (*{event.anchor}); aliases are not followed",
                                "write the value out", place=place))
        if event.anchor is not None:
            raise _Stop(Problem("yaml-alias", f"defines an anchor (&{event.anchor}); anchors are not used here",
                                "remove it, or put the text in quotes", place=place))
        if event.tag is not None and event.tag != "!":
            raise _Stop(Problem("yaml-tag", f"carries a YAML tag ({event.tag})",
                                "remove it; the tool knows the type of each field", place=place))
        if depth > MAX_DEPTH:
            raise _Stop(Problem("yaml-depth", f"is nested more than {MAX_DEPTH} levels deep",
                                "flatten it", place=place))
        if isinstance(event, yaml.ScalarEvent):
            return Scalar(event.value, place, _index(event.start_mark), _index(event.end_mark),
                          event.style in ("'", '"', "|", ">"))
        if isinstance(event, yaml.SequenceStartEvent):
            return self._items(event, events, depth, place)
        return self._mapping(event, events, depth, place)

    def _items(self, start: Any, events: Iterator[Any], depth: int, place: Place) -> Items:
        items: list[Node] = []
        for event in events:
            if isinstance(event, yaml.SequenceEndEvent):
                return Items(tuple(items), place, _index(start.start_mark), _index(event.end_mark))
            items.append(self.node(event, events, depth + 1))
        raise AssertionError("the parser always closes a sequence")

    def _mapping(self, start: Any, events: Iterator[Any], depth: int, place: Place) -> Mapping:
        entries: dict[str, tuple[Scalar, Node]] = {}
        for event in events:
            if isinstance(event, yaml.MappingEndEvent):
                return Mapping(tuple(entries.values()), place, _index(start.start_mark), _index(event.end_mark))
            key = self.node(event, events, depth + 1)
            value = self.node(next(events), events, depth + 1)
            if not isinstance(key, Scalar):
                raise _Stop(Problem("yaml-key", "has a key that is a list or a mapping",
                                    "a key is a single word or phrase", place=key.place))
            if key.text in entries:
                first = entries[key.text][0].place
                self.problems.append(Problem("duplicate-key",
                                             f'"{key.text}" stands here a second time (first at line {first.line})',
                                             "keep one of the two", place=key.place, field=key.text))
                continue
            entries[key.text] = (key, value)
        raise AssertionError("the parser always closes a mapping")
