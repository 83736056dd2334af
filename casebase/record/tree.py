"""The tree of nodes a front matter is read into: text with places, not yet typed."""

from __future__ import annotations

from typing import NamedTuple

from casebase.problems import Place, Problem


class Scalar(NamedTuple):
    """A single value as typed. `start` and `end` are character positions in the parsed text."""

    text: str
    place: Place
    start: int
    end: int
    quoted: bool = False


class Items(NamedTuple):
    """A sequence."""

    items: tuple[Node, ...]
    place: Place
    start: int
    end: int


class Mapping(NamedTuple):
    """Keys and values in the order of the file."""

    entries: tuple[tuple[Scalar, Node], ...]
    place: Place
    start: int
    end: int

    def get(self, key: str) -> Node | None:
        return next((value for name, value in self.entries if name.text == key), None)


Node = Scalar | Items | Mapping


def parts(node: Node) -> tuple[tuple[Node, Node], ...]:
    """The first and the last node of each item of a sequence or pair of a mapping; none for a single value."""
    return tuple((item, item) for item in node.items) if isinstance(node, Items) else node.entries if isinstance(node, Mapping) else ()


def is_flow(text: str, node: Node) -> bool:
    """Whether a node of this text is written in brackets."""
    return text[node.start: node.start + 1] in ("[", "{")


def last(text: str, node: Node) -> int:
    """The position just behind the last character of a node, blank lines and comments after it left out."""
    if not isinstance(node, Scalar) and not is_flow(text, node):
        return max((last(text, inner) for part in parts(node) for inner in part), default=node.start)
    return node.start + len(text[node.start: node.end].rstrip())


def parse(text: str, *, first_line: int = 1) -> tuple[Node | None, list[Problem]]:
    """See `yamltree.parse`, which is loaded with the first text: a question to an index in step reads no YAML."""
    from casebase.record import yamltree

    return yamltree.parse(text, first_line=first_line)
