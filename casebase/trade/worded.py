"""Values of settings that are told by words and no number: "flush", "no slack", "the second hole", "mark three"."""

from __future__ import annotations

import re
from collections.abc import Iterator

from casebase.trade.numbers import FIGURES
from casebase.trade.readings import Reading

_PLACE = "place"  # stands for the unit of a place that is told with its noun
_RANKS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
_FIGURE = "|".join(word for word, figure in FIGURES.items() if figure in "12345678")
_SIDES = ("last", "end", "outer", "outermost", "outside", "inner", "innermost", "inside", "middle", "centre", "center", "top", "bottom", "lowest", "highest", "far", "near")
_NOUN = r"(?:hole|notch|mark|slot|position|click|line|peg|step)"
_RANK = rf"(?P<rank>{'|'.join((*_RANKS, *_SIDES))})"
_NAMED = re.compile(rf"\b(?:{_RANK} {_NOUN}|(?:{_NOUN}|number) (?P<figure>{_FIGURE}|[1-8]))\b(?! and (?:an? )?(?:half|quarter)|[.,/]\d)", re.IGNORECASE)
_BARE = re.compile(rf"\b(?:(?:to|from|into|onto)(?: the| its)?|(?:in|on|at|was|now|is) (?:the|its)) {_RANK}\b(?: one\b)?(?=[.,;:!?)]|$| (?:and|but|so|to|from|now|then|where|instead|again)\b)", re.IGNORECASE)
_ALONE = re.compile(rf"\b{_RANK}\b|^(?P<figure>{_FIGURE}|[1-8])$", re.IGNORECASE)
_ZERO = re.compile(r"\b(?:zero|nought|naught|nil|flush|(?<!oil )(?<!fuel )(?<!float )level|none|nothing|no (?:slack|play|free play|gap|clearance|lash|lift))\b|(?<![\w.,/])0(?![\w/]|[.,]\d)",
                   re.IGNORECASE)
_NOUGHT = ("zero", "nought", "naught", "nil", "0")
_WORDS = re.compile(rf"{_NAMED.pattern}|{_RANK.replace('?P<rank>', '')}(?: one)?|{_ZERO.pattern}", re.IGNORECASE)
_PLACED = ("", "turn")
_ALWAYS_NUMBERS = ("rpm", ":1", "N.m")  # an engine that runs, a mix, a nut done up


def worded(text: str, unit: str) -> Iterator[Reading]:
    """The words in a text that may be a value of a setting told in `unit`, "" for a setting that has a place and no unit; a screw, told in
    turns, may have marks. The value of a place counts from one, that of "flush" is zero."""
    if unit in _ALWAYS_NUMBERS:
        return
    named = list(_NAMED.finditer(text))
    for match in named:
        yield Reading(_place(match), _PLACE, match.group(), None, *match.span())
    nothing = list(_ZERO.finditer(text)) if unit else []
    figures = [match for match in nothing if match.group().lower() in _NOUGHT]  # "no play at all, zero" is told once
    for match in figures or nothing:
        yield Reading(0.0, "", match.group(), None, *match.span())
    for match in _BARE.finditer(text) if unit in _PLACED else ():
        start = match.start("rank")
        if not any(other.start() <= start < other.end() for other in named):
            yield Reading(_place(match), "", text[start: match.end()], None, start, match.end())


def worded_value(words: str) -> float | None:
    """The value of some words: the place of a hole, 0 for "flush with the floor"; None where they tell neither."""
    match = _NAMED.search(words) or _ALONE.search(words)
    return _place(match) if match else 0.0 if _ZERO.search(words) else None


def is_worded(reading: Reading) -> bool:
    """Whether a value is told by words and no number."""
    return reading.unit in ("", _PLACE) and bool(_WORDS.fullmatch(reading.text))


def _place(match: re.Match[str]) -> float:
    """The number of a place; sides ("outer") are counted behind the ranks, so that each has its own."""
    rank, figure = (match.groupdict("").get(name, "").lower() for name in ("rank", "figure"))
    return 1.0 + (*_RANKS, *_SIDES).index(rank) if rank else float(FIGURES.get(figure, figure))
