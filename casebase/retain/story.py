"""Spoken notes cut into sentences, each with what the vocabulary finds in it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from casebase.retain.storycues import is_history, is_stored
from casebase.retain.storyreadings import Heard
from casebase.retrieve.lexicon import Found, Lexicon
from casebase.retrieve.understand import Observation, understand
from casebase.trade.readings import Reading
from casebase.trade.terms import Kind
from casebase.trade.words import Token, tokens

_END = re.compile(r"(?<=[.!?])[\"')]*\s+(?=[\"'(]?[^\Wa-z_]|[a-z])|\s*\n\s*")
_ABBREVIATED = re.compile(r"(?:\b(?:approx|ca|no|nr|vs|etc|max|min|mr|mrs|dr|e\.g|i\.e|incl|spec|sec|rev)|\b[a-z])\.$", re.IGNORECASE)
_LINK = re.compile(r"[,;:]\s+|,?\s+(?:but|and|so|although|though|only|then)\s+|\s+[-–—]+\s+", re.IGNORECASE)


class Entry(NamedTuple):
    """Something read: its field of the case, its value, the sentence it stands in; `doubt` says why it is unsure."""

    field: str
    value: str
    sentence: str
    doubt: str = ""

    @property
    def sure(self) -> bool:
        return not self.doubt


class Sentence(NamedTuple):
    """One sentence; positions of terms, readings and observations count within `text`, `start` within the notes."""

    text: str
    start: int
    folded: tuple[Token, ...]
    found: tuple[Found, ...]
    readings: tuple[Reading, ...]
    observations: tuple[Observation, ...]

    def of(self, kind: Kind, *hows: str) -> list[Found]:
        """The terms of a kind met by name or by a pattern (default), in order."""
        return sorted((term for term in self.found if term.kind == kind and term.how in (hows or ("name", "said"))),
                      key=lambda term: term.start)

    def stretches(self) -> Iterator[tuple[int, int]]:
        """The stretches between commas, "and" and "but", in order."""
        return stretches(self.text)

    def segment_at(self, position: int) -> tuple[int, int]:
        """The stretch between commas, "and" and "but" that holds a character position."""
        start = 0
        for link in _LINK.finditer(self.text):
            if link.end() > position:
                return start, link.start() if link.start() > start else len(self.text)
            start = link.end()
        return start, len(self.text)


def stretches(text: str) -> Iterator[tuple[int, int]]:
    """The stretches of a sentence between commas, "and" and "but", in order."""
    start = 0
    for link in _LINK.finditer(text):
        if link.start() > start:
            yield start, link.start()
        start = link.end()
    if start < len(text):
        yield start, len(text)


def clauses(text: str) -> list[str]:
    """A whole sentence cut before each link between stretches: "it idled" and ", but it still needed the choke"."""
    ends = [end for _start, end in stretches(text)]
    return [text[start:end] for start, end in zip((0, *ends[:-1]), (*ends[:-1], len(text)), strict=True)]


def sentences(text: str, lexicon: Lexicon) -> Iterator[Sentence]:
    """The sentences of a text, in order. A line end ends a sentence too; "approx." does not."""
    heard = Heard()
    for start, piece in _pieces(text):
        folded = lexicon.folding.fold([_respelled(token, lexicon) for token in tokens(piece)])
        if not any(token.text[0].isalnum() for token in folded):
            continue
        yield Sentence(piece, start, tuple(folded), tuple(lexicon.find(folded)), heard.read(piece),
                       understand(piece, lexicon).observations)


def _respelled(token: Token, lexicon: Lexicon) -> Token:
    better = lexicon.correct(token.text)
    return Token(better, better, token.start, token.end) if better else token


def _pieces(text: str) -> Iterator[tuple[int, str]]:
    start = 0
    for match in _END.finditer(text):
        piece = text[start: match.start()]
        if "\n" not in match.group() and _ABBREVIATED.search(piece):
            continue
        if piece.strip():
            yield start + len(piece) - len(piece.lstrip()), piece.strip()
        start = match.end()
    if text[start:].strip():
        yield start + len(text[start:]) - len(text[start:].lstrip()), text[start:].strip()


def longest(found: Sequence[Found]) -> list[Found]:
    """Of actions that share a place the one with more words; "cleaned in the ultrasonic bath" is one thing done."""
    kept: list[Found] = []
    for term in sorted(found, key=lambda term: -(term.end - term.start)):
        if all(term.end <= other.start or other.end <= term.start for other in kept):
            kept.append(term)
    return kept


_STARTS = (("electric", re.compile(r"\belectric(?:al)? start|\bkey start", re.IGNORECASE)),
           ("rope", re.compile(r"\b(?:rope|pull|recoil|cord)[ -]?start", re.IGNORECASE)))


def machine_of(parts: Iterable[Sentence]) -> tuple[Entry, ...]:
    """What the notes say of the machine. Its kind stands in the sentence that first names one."""
    found: dict[str, Entry] = {}
    for number, sentence in enumerate(parts):
        opening = number < 5
        for kind, field in (("machine", "kind"), ("engine", "engine"), ("carburettor", "carburettor")):
            terms = [term for term in sentence.found if term.kind == kind and term.how in ("name", "said")]
            if terms and (opening or field == "kind"):
                best = max(terms, key=lambda term: (len(term.used), -term.start))
                found.setdefault(field, Entry(field, best.label, sentence.text, "" if opening else "named late in the notes"))
        sizes = [reading.text for reading in sentence.readings if reading.unit == "cc"]
        ages = [reading.text for reading in sentence.readings if reading.unit == "year"]
        if opening and sizes:
            found.setdefault("displacement", Entry("displacement", sizes[0], sentence.text))
        if opening and ages and not is_stored(sentence.text) and not is_history(sentence.text):
            old = re.search(r"\bold\b|\byo\b", sentence.text)
            if old or any(term.kind in ("machine", "engine") for term in sentence.found):
                found.setdefault("age", Entry("age", re.sub(r"[ -]*\bold$", "", ages[0]), sentence.text))
        for start, pattern in _STARTS:
            if opening and pattern.search(sentence.text):
                found.setdefault("start", Entry("start", start, sentence.text))
    order = ("kind", "engine", "carburettor", "displacement", "age", "start")
    return tuple(found[field] for field in order if field in found)
