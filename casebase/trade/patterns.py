"""The small pattern language in which the vocabulary says how people speak.

    leak & primer bulb            both within eight words of each other, in any order
    die|quit ... let off choke    alternatives; up to five other words at "..."

Words follow each other, small filler words may stand between; a pattern never reaches across the end of a
sentence. Every word is compared by its headword, so "leaks", "leaking" and "drips" all meet `leak`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from casebase.trade.words import FILLERS, Folding, Token, tokens

GAP = 5
NEAR = 8
MAX_FILLERS = 4


class Place(NamedTuple):
    """One place of a pattern: the headwords that fit, and how many other words may stand before it."""

    heads: frozenset[str]
    gap: int


class Pattern(NamedTuple):
    """A compiled pattern: parts joined by `&`, each a run of places."""

    parts: tuple[tuple[Place, ...], ...]

    @property
    def size(self) -> int:
        return sum(len(part) for part in self.parts)

    @property
    def anchors(self) -> frozenset[str]:
        """Headwords of which one must begin a match."""
        return frozenset().union(*(part[0].heads for part in self.parts))


class Hit(NamedTuple):
    """Where a pattern fits: the positions of the tokens it used, in order."""

    used: tuple[int, ...]


def compile_pattern(source: str, folding: Folding, *, joined: bool) -> Pattern:
    """Compiles one pattern. With `joined`, terms of several words count as one place, as in joined texts."""
    return Pattern(tuple(_compile_part(part, folding, joined) for part in source.split(" & ")))


def _compile_part(source: str, folding: Folding, joined: bool) -> tuple[Place, ...]:
    places: list[Place] = []
    for number, run in enumerate(source.split("...")):
        first = True
        for heads in _run_heads(run, folding, joined):
            places.append(Place(heads, GAP if first and number else 0))
            first = False
    return tuple(places)


def _run_heads(run: str, folding: Folding, joined: bool) -> list[frozenset[str]]:
    """The places of a stretch without dots. Plain words in a row may join to one term of several words."""
    places: list[frozenset[str]] = []
    row: list[Token] = []

    def flush() -> None:
        places.extend(frozenset([token.head]) for token in (folding.join(row) if joined else row))
        row.clear()

    for word in run.split():
        if "|" in word:
            flush()
            places.append(frozenset(folding.head(part.text) for option in word.split("|") if option
                                    for part in tokens(option)[:1]))
        else:
            row.extend(folding.fold([token for token in tokens(word) if not token.is_break]))
    flush()
    return places


def match(pattern: Pattern, text: Sequence[Token], start: int) -> Hit | None:
    """Tries to fit `pattern` with one of its parts beginning at token `start`."""
    for number, part in enumerate(pattern.parts):
        used = _match_part(part, text, start)
        if used is None:
            continue
        if len(pattern.parts) == 1:
            return Hit(used)
        others = [other for position, other in enumerate(pattern.parts) if position != number]
        whole = _match_near(others, text, used)
        if whole is not None:
            return Hit(whole)
    return None


def _match_near(parts: Sequence[tuple[Place, ...]], text: Sequence[Token], used: tuple[int, ...]) -> tuple[int, ...] | None:
    if not parts:
        return tuple(sorted(used))
    low, high = used[0], used[-1]
    for start in range(high + 1, min(len(text), high + NEAR + 1)):
        if text[start].is_hard_break:
            break
        found = _match_part(parts[0], text, start)
        if found is not None:
            return _match_near(parts[1:], text, (*used, *found))
    for start in range(low - 1, max(-1, low - NEAR - 1), -1):
        if text[start].is_hard_break:
            break
        found = _match_part(parts[0], text, start)
        if found is not None and found[-1] < low:
            return _match_near(parts[1:], text, (*found, *used))
    return None


def _match_part(part: Sequence[Place], text: Sequence[Token], start: int) -> tuple[int, ...] | None:
    if start >= len(text) or text[start].head not in part[0].heads:
        return None
    if len(part) == 1:
        return (start,)
    rest = _match_rest(part[1:], text, start + 1)
    return None if rest is None else (start, *rest)


def _match_rest(part: Sequence[Place], text: Sequence[Token], position: int) -> tuple[int, ...] | None:
    """Fits the places after the first, the nearest fit first."""
    fillers = others = 0
    place = part[0]
    while position < len(text) and not text[position].is_hard_break:
        token = text[position]
        if token.head in place.heads:
            if len(part) == 1:
                return (position,)
            rest = _match_rest(part[1:], text, position + 1)
            if rest is not None:
                return (position, *rest)
        if token.head in FILLERS or token.text in FILLERS:
            fillers += 1
        elif token.text != "," or not place.gap:
            others += 1
        if others > place.gap or fillers > MAX_FILLERS + place.gap:
            return None
        position += 1
    return None
