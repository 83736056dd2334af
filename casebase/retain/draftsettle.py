"""Settling what is unsure in the text of a drafted case: its remark goes, or the entry goes with it.

A remark is a comment line "# unsure: why ("sentence")" of the front matter, as `draftfile` writes them. It speaks of
the entry that begins below it; above a field of the case, of the one its words begin with. Texts are cut at positions
the parser reported and nothing else in them moves, however much a person changed before.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from hashlib import blake2b
from typing import Any, Literal, NamedTuple

from casebase.problems import Refused, errors, refuse
from casebase.record.casefile import STEP_KEYS, read, split
from casebase.record.schema import Findings
from casebase.record.tree import Items, Mapping, Node, Scalar, is_flow, last, parse, parts

Way = tuple[str | int, ...]
"""The keys and positions that lead from the front matter to an entry, for example ("steps", 2, "to")."""

_REMARK = re.compile(r"^[ \t]*#[ \t]*unsure\b[ \t]*:?(.*)$", re.MULTILINE)
_NEEDED = {("title",), ("date",), ("complaint",), ("machine",), ("machine", "kind")}


class Unsure(NamedTuple):
    """A remark and the entry it speaks of. `field` and `entry` are empty where that cannot be told.

    `mark` names it in forms. `start` and `end` are where the remark stands in the text, its line end included; `needed`
    says that a case cannot do without the entry.
    """

    field: str
    entry: str
    why: str
    sentence: str
    mark: str
    way: Way
    needed: bool
    start: int
    end: int

    @property
    def can_go(self) -> bool:
        """Whether the entry can be left out."""
        return bool(self.way) and not self.needed


def unsure_in(text: str) -> tuple[Unsure, ...]:
    """What is marked unsure in the text of a case file, in its order; nothing where the text cannot be read."""
    try:
        return tuple(_unsure(_Front(text)))
    except Refused:
        return ()


def settle(text: str, mark: str, how: Literal["right", "out"]) -> str:
    """The text with one entry settled: "right" takes its remark away, "out" the entry and all remarks on it.

    Parameters: `mark` as `unsure_in` gave it. Raises `Refused` when the text cannot be read, when the remark is gone
    ("changed"), and for "out" also when the entry is no longer the one that was seen ("changed"), a case cannot do
    without it ("needed") or it is written in a way that cannot be cut out safely ("edit").
    """
    front = _Front(text)
    found = list(_unsure(front))
    one = _marked(found, mark)
    if how == "right":
        return text[:one.start] + text[one.end:]
    if one.mark != mark:
        raise refuse("changed", f'what this remark speaks of now reads "{one.entry}"', "tap again if it should go all the same",
                     usage=False)
    if not one.way:
        raise _by_hand("what this remark speaks of")
    if one.needed:
        raise refuse("needed", f"a case cannot do without its {one.field}", "write the right one in the text", usage=False)
    way = _emptied(front.tree, one.way)
    bare = text
    for other in reversed(found):
        if other.way[:len(way)] == way:
            bare = bare[:other.start] + bare[other.end:]
    return _without(_Front(bare), way)


def _marked(found: Sequence[Unsure], mark: str) -> Unsure:
    """The remark that is meant: the same words on the same entry, or else the only one with the same words."""
    same = [one for one in found if one.mark == mark]
    words = [one for one in found if one.mark.partition(".")[0] == mark.partition(".")[0]]
    if same:
        return same[0]
    if len(words) != 1:
        raise refuse("changed", "this remark no longer stands in the text", "look at those that are left", usage=False)
    return words[0]


def _by_hand(what: str) -> Refused:
    return refuse("edit", f"{what} cannot be cut out safely", "change it by hand in the text", usage=False)


# --- what is unsure ---------------------------------------------------------------------------------------------------


class _Front:
    """The front matter of a text as a tree; positions of the tree count from `offset`."""

    def __init__(self, text: str) -> None:
        findings = Findings("")
        pieces = split(text.removeprefix("\ufeff"), findings)
        if pieces is None:
            raise Refused(*errors(findings.problems), usage=False)
        tree, problems = parse(pieces.front, first_line=pieces.front_line)
        if not isinstance(tree, Mapping):
            raise Refused(*errors(problems), usage=False) if problems else _by_hand("a front matter without named values")
        self.text, self.tree, self.front = text, tree, pieces.front
        self.offset = text.index("\n") + 1
        self.end = self.offset + len(self.front)

    def last(self, node: Node) -> int:
        """The position just behind the last character of a node, in the text."""
        return self.offset + last(self.front, node)

    def is_flow(self, node: Node) -> bool:
        return is_flow(self.front, node)

    def span(self, above: Node, part: tuple[Node, Node]) -> tuple[int, int]:
        """Where an item of a list, its dash included, or a pair of a group stands in the text."""
        start, ends = self.offset + part[0].start, max(self.last(node) for node in part)
        return self.text.rindex("-", 0, start) if isinstance(above, Items) and not self.is_flow(above) else start, ends

    def lines(self, start: int, end: int) -> tuple[int, int]:
        """The whole lines that hold a stretch of the text, their last line end included."""
        after = self.text.find("\n", end)
        return self.text.rfind("\n", 0, start) + 1, after + 1 if after >= 0 else len(self.text)


def _unsure(front: _Front) -> Iterator[Unsure]:
    entries = sorted(_entries(front.tree), key=lambda entry: (entry[0], len(entry[1])))
    starts = [start for start, _way in entries]
    scalars = sorted(_scalars(front.tree))
    for remark in _REMARK.finditer(front.text, front.offset, front.end):
        place = remark.end(0) - front.offset
        within = bisect_right(scalars, (place, 0)) - 1
        if within >= 0 and scalars[within][1] >= place:
            continue  # a line of a longer text
        below = bisect_left(starts, place)
        said = _plain(remark[1])
        way, said_too = _spoken_of(front.tree, entries[below][1], said) if below < len(entries) else ((), "")
        yield _one(front, way, said, said_too, front.lines(remark.start(), remark.end()))


def _one(front: _Front, way: Way, said: str, value: str, span: tuple[int, int]) -> Unsure:
    entry = _shown(front, way) if way else ""
    why, _, sentence = said.partition(' ("')
    if not sentence.endswith('")'):
        why, sentence = said, '")'
    key = " ".join(part for part in way if isinstance(part, str))  # the same words may be a symptom and a note
    return Unsure(_field(way), entry, why.removeprefix(f"{value}: ") if value else why, sentence[:-2], f"{_digest(said)}.{_digest(f'{key}: {entry}')}",
                  way, bool(way) and _is_needed(_emptied(front.tree, way)), *span)


def _is_needed(way: Way) -> bool:
    """Whether a case, a step or a cause is none without what stands there."""
    return way in _NEEDED or (len(way) == 3 and ((way[0] == "steps" and way[2] in STEP_KEYS) or (way[0] == "causes" and way[2] == "fault")))


def _digest(words: str) -> str:
    return blake2b(words.encode("utf-8", "replace"), digest_size=8).hexdigest()


def _plain(words: str) -> str:
    """Words as a remark has them: one line, without control characters."""
    return " ".join("".join(char if char.isprintable() else " " for char in words).split())


def _entries(node: Node, way: Way = ()) -> Iterator[tuple[int, Way]]:
    """Where each entry begins, a list's items and a group's keys alike."""
    if isinstance(node, Mapping):
        for name, value in node.entries:
            yield name.start, (*way, name.text)
            yield from _entries(value, (*way, name.text))
    if isinstance(node, Items):
        for position, item in enumerate(node.items):
            yield item.start, (*way, position)
            yield from _entries(item, (*way, position))


def _scalars(node: Node) -> Iterator[tuple[int, int]]:
    if isinstance(node, Scalar):
        yield node.start, node.end
        return
    for part in parts(node):
        for inner in part[:1] if part[0] is part[1] else part:
            yield from _scalars(inner)


def _spoken_of(tree: Mapping, way: Way, said: str) -> tuple[Way, str]:
    """The entry a remark above `way` speaks of, and its value where the remark begins with it."""
    if len(way) > 1:
        return way, ""
    named = [(value, inner) for inner, value in _values(_at(tree, way), way) if value and said.startswith(f"{value}: ")]
    value, inner = max(named, key=lambda pair: len(pair[0]), default=("", ()))
    return inner, value


def _values(node: Node, way: Way) -> Iterator[tuple[Way, str]]:
    """The texts of a field that a remark may name, each with the entry that goes when it goes."""
    if isinstance(node, Scalar):
        yield way, _plain(node.text)
    elif isinstance(node, Items):
        for position, item in enumerate(node.items):
            fault = item.get("fault") if isinstance(item, Mapping) and way == ("causes",) else item
            if isinstance(fault, Scalar):
                yield (*way, position), _plain(fault.text)
    else:
        for name, value in node.entries:
            yield from _values(value, (*way, name.text))


def _at(tree: Node, way: Way) -> Node:
    """The node at a way that was taken from this tree."""
    node: Node | None = tree
    for key in way:
        node = node.items[key] if isinstance(node, Items) and isinstance(key, int) else _as_group(node).get(str(key))
    assert node is not None
    return node


def _as_group(node: Node | None) -> Mapping:
    assert isinstance(node, Mapping)
    return node


def _field(way: Way) -> str:
    """How a person calls the place of an entry."""
    if len(way) > 1 and way[0] in ("steps", "causes") and isinstance(way[1], int):
        return ": ".join([f"{str(way[0])[:-1]} {way[1] + 1}", *map(str, way[2:])])
    return ": ".join(key for key in way if isinstance(key, str))


def _shown(front: _Front, way: Way) -> str:
    """The words of an entry in one line."""
    node = _at(front.tree, way)
    if isinstance(node, Scalar):
        return _plain(node.text)
    if isinstance(node, Mapping) and isinstance(fault := node.get("fault"), Scalar):
        return _plain(fault.text)
    lines = front.text[front.offset + node.start: front.last(node)].split("\n")
    return _plain(", ".join(line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")))


# --- cutting out ------------------------------------------------------------------------------------------------------


def _emptied(tree: Mapping, way: Way) -> Way:
    """The entry itself, or what would be left empty without it."""
    while len(way) > 1 and len(parts(_at(tree, way[:-1]))) == 1:
        way = way[:-1]
    return way


def _without(front: _Front, way: Way) -> str:
    """The text without the entry at `way`, held against what was meant."""
    cuts = _cuts(front, way)
    pieces, at = [], 0
    for start, end in cuts:
        pieces.append(front.text[at:start])
        at = end
    text = "".join([*pieces, front.text[at:]])
    try:
        after = _values_of(_Front(text).tree)
    except Refused:
        after = None
    if after != _less(_values_of(front.tree), way) or _wrong(text) > _wrong(front.text):
        raise _by_hand(f'"{_shown(front, way)}"')
    return text


def _cuts(front: _Front, way: Way) -> list[tuple[int, int]]:
    """What has to be cut out of the text, in its order: in a line the entry with a comma, else whole lines."""
    above, inner = _at(front.tree, way[:-1]), _at(front.tree, way)
    key = way[-1]
    number = key if isinstance(key, int) else [name.text for name, _value in _as_group(above).entries].index(key)
    spans = [front.span(above, part) for part in parts(above)]
    start, end = spans[number]
    if front.is_flow(above):
        gap = (spans[number - 1][1], start) if number else (end, spans[1][0])
        if front.text[slice(*gap)].strip() != ",":
            raise _by_hand(f'"{_shown(front, way)}"')  # a comment stands between the two
        return [(gap[0], end) if number else (start, gap[1])]
    lines = front.lines(start, end)
    if isinstance(inner, Scalar) or isinstance(above, Items) or front.is_flow(inner):
        return [lines]
    first, _end = front.lines(*front.span(inner, parts(inner)[0]))
    _start, head = front.lines(start, start)
    return [(lines[0], head), (first, lines[1])] if head <= first else [lines]  # comments between a key and its first entry stay


def _values_of(node: Node) -> Any:
    """A tree without its places."""
    if isinstance(node, Scalar):
        return node.text
    if isinstance(node, Items):
        return [_values_of(item) for item in node.items]
    return {name.text: _values_of(value) for name, value in node.entries}


def _less(values: Any, way: Way) -> Any:
    """Values without the one at `way`; nothing at all where no other field is left."""
    inner = values
    for key in way[:-1]:
        inner = inner[key]
    del inner[way[-1]]
    return values or None


def _wrong(text: str) -> int:
    return len(errors(read(text.encode("utf-8", "replace"), "26-001-draft").problems))
