"""The values of a setting as spoken: "was at one turn, I opened it to one and a quarter", "put it back to 1 1/8"."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise

from casebase.trade.readings import Reading, find_readings


def fits(unit: str, wanted: str) -> bool:
    """Whether two units measure the same kind of thing."""
    kinds = (("in", "thou", "mm", "cm"), ("psi", "bar", "kPa", "kgf/cm2"), ("N.m", "ft-lb", "in-lb"), ("turn",), ("rpm",), (":1",), ("ohm", "kohm"))
    return unit == wanted or any(unit in kind and wanted in kind for kind in kinds)


@dataclass(frozen=True, slots=True)
class Values:
    """A setting as found and as left. `turned` is False where it was only read; `again` are further turns of it."""

    before: str = ""
    after: str = ""
    turned: bool = False
    stop: int = 0
    note: str = ""
    again: tuple[tuple[int, int, str], ...] = ()


_TURNED = re.compile(
    r"\b(?:re)?(?:set|opened|closed|turned|screwed|backed|wound|adjusted|gapped|brought|raised|lowered|bent|pumped|moved|went|tightened|torqued|eased|"
    r"leaned|richened|increased|reduced|dropped|regapped|let|slackened|shortened|cut|changed|took|put|got|gave|up to|down to)\b", re.IGNORECASE)
_FROM = re.compile(r"\bfrom\s+(?:about |around |roughly )?$", re.IGNORECASE)
_TO = re.compile(r"\b(?:to|at|now|is now|now at|of)\s+(?:about |around |exactly |roughly )?$", re.IGNORECASE)
_BY = re.compile(r"\b(?:by|another|back|in|out|up|down|further|clockwise)\s+(?:about |around )?(?:a |an )?$", re.IGNORECASE)
_BARE = re.compile(r"\b(?:from|to|at) (?P<value>(?:\d+ )?\d+/\d+|\d+(?:[.,]\d+)?|(?:(?:one|two|three|half|a) and )?(?:an? )?"
                   r"(?:one|two|three|five|seven|half|quarter|eighth)(?:(?: and)? (?:an? )?(?:half|quarter|eighths?|three quarters))?)\b(?! ?[a-z%])",
                   re.IGNORECASE)


_STOOD = re.compile(r"\b(?:was|stood|at|found)(?: at| about)* (?P<value>(?:\d+ )?\d+/\d+|\d+(?:[.,]\d+)?)\b(?! ?[a-z%]+ (?:after|of))", re.IGNORECASE)


def read_values(text: str, lead: str, unit: str) -> Values:
    """The values of a setting in the words behind its name; `lead` stands before the name, `unit` is what it is told in."""
    readings = [reading for reading in find_readings(text) if fits(reading.unit, unit)]
    if not readings:
        bare = _bare(text) if unit else None
        return bare if bare is not None and _TURNED.search(lead + text) else Values()
    if re.search(r"\b(?:came|fell|dropped|rose|climbed)(?: back)?(?: down| up)?\b", text[: readings[0].start]):
        return Values(before=_value(readings[-1]), stop=readings[-1].end)  # it went there by itself
    turned = bool(_TURNED.search(text)) or bool(_TURNED.search(lead[-30:])) or bool(re.search(r"\bfrom\b", text[: readings[0].start]))
    pair = next(((one, two) for one, two in pairwise(readings) if _FROM.search(text[: one.start]) and _TO.search(text[: two.start])), None)
    if pair is not None:
        return Values(_value(pair[0]), _value(pair[1]), True, pair[1].end)
    first = readings[0]
    stop = readings[-1].end
    if not turned:
        return Values(before=_value(first), stop=first.end)
    if first.high is not None and _FROM.search(text[: first.start]):
        low, high = re.split(r"\s*(?:-|\bto\b|–)\s*", first.text, maxsplit=1)
        unit_words = re.search(r"[^\W\d]+$", high)
        return Values(f"{low} {unit_words.group()}" if unit_words and unit_words.group() not in low else low, high, True, first.end)
    if len(readings) == 1:
        return _single(text, lead, first)
    second = readings[1]
    if _relative(text, second, first):
        return Values(_value(first), "", True, stop, note=_note(text, second))
    if _relative(text, first, None):
        return Values("", _value(second) if _TO.search(text[: second.start]) else "", True, stop, note=_note(text, first))
    again = tuple((readings[1].end, reading.end, _value(reading)) for reading in readings[2:])
    again = again or _back_again(text, second.end)
    return Values(_value(first), _value(second), True, again[-1][1] if again else second.end, again=again)


def _single(text: str, lead: str, reading: Reading) -> Values:
    if _relative(text, reading, None):
        return Values("", "", True, reading.end, note=_note(text, reading))
    before = text[: reading.start]
    if _FROM.search(before):
        after = _BARE.search(text, reading.end)
        return Values(_value(reading), after["value"] if after else "", True, after.end() if after else reading.end)
    if not _TURNED.search(before) and not _TURNED.search(lead[-30:]):
        after = _BARE.search(text, reading.end)  # "was at one turn, opened it to 1 1/4"
        return Values(_value(reading), after["value"] if after else "", True, after.end() if after else reading.end)
    stood = _STOOD.search(before)
    return Values(stood["value"] if stood else "", _value(reading), True, reading.end)


def _bare(text: str) -> Values | None:
    """ "From 7/8 to 1 1/8", without any unit."""
    found = list(_BARE.finditer(text))
    sides = {match.group().split()[0].lower(): match["value"] for match in found}
    after = sides.get("to", sides.get("at", ""))
    return Values(sides.get("from", ""), after, True, found[-1].end()) if after else None


def _back_again(text: str, start: int) -> tuple[tuple[int, int, str], ...]:
    """ "... and it made things worse, so I put it back to one and an eighth": a turn of its own."""
    back = re.search(r"\b(?:put|set|turned|went|screwed|wound) (?:it |them |that )?back\b", text[start:], re.IGNORECASE)
    if not back:
        return ()
    value = _BARE.search(text, start + back.start())
    return ((start + back.start(), value.end(), value["value"]),) if value else ()


def _relative(text: str, reading: Reading, first: Reading | None) -> bool:
    """Whether a reading is by how much something was turned, not where it stood: "turned it back a quarter turn"."""
    before = text[first.end if first else 0: reading.start]
    return bool(_BY.search(before) and not re.search(r"\b(?:to|at|from)\s*$", before)) and reading.unit in ("turn", "thou", "mm", "rpm", "in")


def _note(text: str, reading: Reading) -> str:
    start = text.rfind(",", 0, reading.start) + 1
    return text[start: reading.end].strip()


def _value(reading: Reading) -> str:
    return reading.text.strip()
