"""The values of a setting in a line: "was 7/8 turn out, now 1 1/8", "from 25 to 28 thou", "3600 to 2900 rpm"."""

from __future__ import annotations

import re
from typing import NamedTuple

from casebase.trade.numbers import number
from casebase.trade.readings import find_readings

_DIGIT = r"\d½¼¾⅛⅜⅝⅞⅓⅔"
_BEGINS = (rf"(?=\s*(?:(?:at|about|only)\s+)?(?:[.,]?[{_DIGIT}]|half|quarter|three|four|one|two|an?\s|fully|full|all the way|"
           r"right (?:in|out)|hard|bottomed|seated|shut|closed|wide|nearly|middle|first|second|third|fourth|top|bottom|"
           r"the (?:\w+ )?hole))")
_CUES = re.compile(
    rf"(?P<before>\b(?:was found at|was at|was|were|found at|as found|found|stood at|from)\b{_BEGINS})"
    rf"|(?P<after>(?:\b(?:is now|now at|now|left at|as left|left|set to|set at|reset to|to)\b|->|→|=>){_BEGINS})", re.IGNORECASE)
_NUMBER = re.compile(r"(?:\d+ )?\d+/\d+|\d+ ?[½¼¾⅛⅜⅝⅞⅓⅔]|[½¼¾⅛⅜⅝⅞⅓⅔]|\d*[.,]?\d+")
_WAY = re.compile(r"\s*\b(?:in|out|open|off|richer|leaner)\b", re.IGNORECASE)
_SINCE_SEAT = re.compile(r"\s*\b(?:out|open|off)(?: (?:from|off) (?:the )?seat)?\b", re.IGNORECASE)
# What is counted and needs no unit.
_COUNTED = re.compile(r"\b(?:holes?|notch(?:es)?|positions?|clicks?|steps?|marks?|flats?|slots?)\b", re.IGNORECASE)
_LEADING = re.compile(r"^[\s,:=-]*(?:(?:by|at|about|a)\s+)?", re.IGNORECASE)


class Values(NamedTuple):
    """A setting as found and as left, "" where not said. `rest` is what was not read, `cued` whether a word such as
    "was" or "now" told which is which."""

    before: str = ""
    after: str = ""
    rest: str = ""
    cued: bool = False


def read_values(text: str) -> Values:
    """The values in the words that follow the name of a setting. A single one without a cue is how it was left."""
    cues = list(_CUES.finditer(text))
    found = {"before": "", "after": ""}
    rests = []
    lead = text[: cues[0].start()] if cues else text
    plain, rest = _value(lead, with_way=not cues)
    if not _has_number(plain):
        plain, rest = "", lead
    rests.append(rest)
    for number_, cue in enumerate(cues):
        end = cues[number_ + 1].start() if number_ + 1 < len(cues) else len(text)
        side = "before" if cue["before"] else "after"
        value, rest = _value(text[cue.end(): end], with_way=False)
        if value and not found[side]:
            found[side] = value
            rests.append(rest)
        else:
            rests.append(text[cue.start(): end])
    if plain:
        side = "before" if found["after"] and not found["before"] else "after"
        found[side] = found[side] or plain
    rest = ", ".join(filter(None, (piece.strip(" ,;:=-") for piece in rests)))
    return Values(found["before"], found["after"], rest, bool(cues))


def _value(text: str, *, with_way: bool) -> tuple[str, str]:
    """The value that a text begins with or holds, and the rest of the text.

    A change told alone keeps its way ("half a turn in"); a position counts from the seat, so "out" says nothing.
    """
    clause, _, after = text.partition(",") if not re.match(rf"[^,]*[{_DIGIT}],[{_DIGIT}]", text) else (text, "", "")
    reading = next(iter(find_readings(clause)), None)
    match = _NUMBER.search(clause)
    if _COUNTED.search(clause) or (reading is None and match is None):
        value = _LEADING.sub("", clause, count=1).strip()
        return value, after
    if reading is not None and (match is None or reading.start <= match.start()):
        start, end = reading.start, reading.end
    else:
        assert match is not None
        start, end = match.span()
    behind = clause[end:]
    way = _WAY.match(behind)
    value = clause[start:end].strip()
    if way and with_way:
        value += f" {way.group().strip()}"
        behind = behind[way.end():]
    else:
        behind = _SINCE_SEAT.sub("", behind, count=1)
    lead = _LEADING.sub("", clause[:start], count=1).strip()
    if with_way and lead.casefold() in ("in", "out"):
        value, lead = f"{value} {lead.casefold()}", ""
    return value, " ".join(filter(None, (lead, behind.strip(), after.strip())))


def _has_number(value: str) -> bool:
    return bool(re.search(rf"[{_DIGIT}]", value) or find_readings(value))


def with_units(values: Values) -> tuple[Values, list[tuple[str, str]]]:
    """Gives a bare number the unit of the value beside it; and the values that still lack one, as (from or to, value)."""
    before = _with_unit_of(values.before, values.after)
    after = _with_unit_of(values.after, before)
    lacking = [(side, value) for side, value in (("from", before), ("to", after))
               if re.search(rf"[{_DIGIT}]", value) and not find_readings(value) and not _COUNTED.search(value)]
    return values._replace(before=before, after=after), lacking


def _with_unit_of(value: str, other: str) -> str:
    """ "1 1/8" beside "7/8 turn" is "1 1/8 turns"."""
    reading = next(iter(find_readings(other)), None)
    if not _NUMBER.fullmatch(value) or reading is None:
        return value
    unit = re.search(r"[^\W\d½¼¾⅛⅜⅝⅞⅓⅔][^\d]*$|[%\"]$", reading.text)
    if unit is None:
        return value
    name = unit.group().strip()
    if reading.unit == "turn":
        size = number(value.translate(_SPELLED).strip())
        name = "turn" if size is not None and size <= 1 else "turns"
    glue = " " if re.search(r"\s" + re.escape(name), reading.text) or reading.unit == "turn" else ""
    return f"{value}{glue}{name}"


_SPELLED = {ord(glyph): f" {spelled}" for glyph, spelled in (
    ("½", "1/2"), ("¼", "1/4"), ("¾", "3/4"), ("⅛", "1/8"), ("⅜", "3/8"), ("⅝", "5/8"), ("⅞", "7/8"), ("⅓", "1/3"),
    ("⅔", "2/3"))}
