"""The values of a setting as spoken: "was at one turn, I opened it to one and a quarter", "put it back to 1 1/8"."""

from __future__ import annotations

import re
from dataclasses import dataclass

from casebase.trade.readings import Reading, find_readings, number

_KINDS = (("in", "thou", "mm", "cm"), ("psi", "bar", "kPa", "kgf/cm2"), ("N.m", "ft-lb", "in-lb"), ("turn",), ("rpm",), (":1",), ("ohm", "kohm"))


def fits(unit: str, wanted: str) -> bool:
    """Whether two units measure the same kind of thing."""
    return unit == wanted or any(unit in kind and wanted in kind for kind in _KINDS)


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
    r"leaned|richened|increased|reduced|dropped|regapped|let|slackened|shortened|cut|changed|took|taken|put|got|gave|tried|squeezed|shimmed|done|stepped|cranked|"
    r"tweaked|enriched|nipped|pulled it|come|came out at|up to|down to)\b", re.IGNORECASE)
_FROM = re.compile(r"\bfrom\s+(?:about |around |roughly |just )?$", re.IGNORECASE)
_STOOD = re.compile(r"\b(?:was|were|stood|standing|found|measured|read|reading|been|showed|sat|had)\b(?:[ \w]* (?:at|to))?[^,;]{0,24}$", re.IGNORECASE)
_TO = re.compile(r"\b(?:to|at|now|then|of|on)\s+(?:about |around |exactly |roughly |just |the )*$|\bnow\b[^,;]*$", re.IGNORECASE)
_BY = re.compile(r"\b(?:by|another|back|in|out|up|down|further|clockwise|anticlockwise|it|them|screw|a)\s+(?:about |around |just )?(?:a |an )?$", re.IGNORECASE)
_ITSELF = re.compile(r"\b(?:came|fell|dropped|rose|climbed)(?: back)?(?: down| up)?\b", re.IGNORECASE)
_APPROACH = r"(?:about |around |roughly |exactly |just |only |barely |nearly |a )*"
_CUE = rf"\b(?:from|to|at|was|were|now|then|or|stood|then to|got|gave|is|back to|of|on|went)\s+{_APPROACH}"
_NOMINAL = re.compile(r"\b(?:should(?:'ve| have)? (?:be|been|read)|ought to (?:be|have been)|supposed to be|spec(?:ified)?(?: is| says)?|(?:book|manual|maker) (?:says|wants|gives)|wants|"
                      r"nominal(?:ly)?|instead of|not the|target(?: is)?|aim(?:ed|ing)? for)\s+(?:about |around |at least |to be )*$", re.IGNORECASE)
_PART = r"(?:an? |one |three |five |seven )?(?:half|quarters?|eighths?)"
_BARE = {
    "turn": re.compile(rf"{_CUE}(?P<value>(?:\d+ )?\d+/\d+|\d+(?:[.,]\d+)?|(?:one|two|three)(?: and {_PART})?|{_PART}|\d and {_PART})\b"
                       r"(?! ?(?:[a-z]*(?:mm|rpm|psi|%)|hours?|min|pulls?|times?|of |cuts?|more|day|week|side|end|hour|the|an? ))", re.IGNORECASE),
    "rpm": re.compile(r"(?<![\d.,/€£$])(?P<value>\d{1,2}[, ]?\d{3})\b(?! ?(?:[a-z]*(?:mm|psi|hours?|ohms?|volts?|w|kw|cc)\b))", re.IGNORECASE),
    "mm": re.compile(rf"{_CUE}(?P<value>\d?[.,]\d{{1,3}}|\d)\b(?! ?(?:[a-z%€£]|[.,]?\d))", re.IGNORECASE),
}


def values_of(text: str, unit: str) -> list[Reading]:
    """The quantities in a text that a setting told in `unit` may have, those whose unit was left out among them."""
    every = find_readings(text)
    found = [reading for reading in every if fits(reading.unit, unit)]
    pattern = _BARE.get("mm" if unit in ("mm", "in", "thou", "cm") else unit)
    for match in pattern.finditer(text) if pattern else ():
        start, end = match.span("value")
        value = number(match["value"].replace(",", "") if unit == "rpm" else match["value"])
        if value is None or any(other.start < end and start < other.end for other in every):
            continue
        if unit == "turn" and value > 6:
            continue
        found.append(Reading(value, "", match["value"], None, start, end))
    return sorted((reading for reading in found if not _NOMINAL.search(text[: reading.start])), key=lambda reading: reading.start)


def read_values(text: str, lead: str, unit: str) -> Values:
    """The values of a setting in the words behind its name; `lead` stands before the name, `unit` is what it is told in."""
    found = values_of(text, unit) if unit else []
    if not found or (all(not reading.unit for reading in found) and not _TURNED.search(lead + text) and unit == "mm"):
        return Values()
    if _ITSELF.search(text[: found[0].start]) and not _TURNED.search(text[: found[0].start].replace("came", "")):
        return Values(before=found[-1].text.strip(), stop=found[-1].end)  # it went there by itself
    first = found[0]
    if first.high is not None and _FROM.search(text[: first.start]):
        return _range(first)
    return _Sides(text, lead).read(found)


class _Sides:
    """Tells of each value whether the setting was found at it, left at it, or turned by it."""

    def __init__(self, text: str, lead: str) -> None:
        self.text = text
        self.turned = bool(_TURNED.search(lead[-30:]))
        self.before = self.after = self.note = ""
        self.again: list[tuple[int, int, str]] = []

    def read(self, found: list[Reading]) -> Values:
        at = 0
        for number_, reading in enumerate(found):
            between = self.text[at: reading.start]
            self._side(between, reading, at, last=number_ + 1 == len(found))
            at = reading.end
        end = found[-1].end
        if self.note:
            self.after = ""  # "out half a turn and it went to 3,900": by how much is known, where it stands is not
        changed = bool(self.after or self.note) or self.turned
        if not changed and self.before and len(found) == 1:
            return Values(before=self.before, stop=end)
        return Values(self.before, self.after, changed, end, self.note, tuple(self.again))

    def _side(self, between: str, reading: Reading, at: int, *, last: bool) -> None:
        value = reading.text.strip()
        stood, moved = _STOOD.search(between), _TURNED.search(between)
        if reading.unit in ("turn", "thou", "mm", "rpm", "in") and _BY.search(between) and not re.search(r"\b(?:to|at|from|was|stood|found it)\s*(?:a |an )?$", between) and (moved or self.turned):
            self.turned, self.note = True, self.note or between.rpartition(",")[2].strip() + " " + value
            self.note = self.note.strip()
        elif _FROM.search(between) or (stood and not (moved and moved.start() > stood.start())):
            if not self.before and not self.after:
                self.before = value
            self.turned = self.turned or bool(_FROM.search(between))
        elif moved or self.turned or _TO.search(between):
            if not moved and not self.turned and not self.before and not re.search(r"\bnow\b", between):
                self.before = value  # "inlet at 0.1 mm" is only read
                return
            self.turned = True
            if self.after:
                self.again.append((at, reading.end, value))
            else:
                self.after = value
        elif not self.before:
            self.before = value
        elif last or not self.after:
            self.after = self.after or value


def _range(first: Reading) -> Values:
    """ "From 2,600 to 2,950 rpm"."""
    low, high = re.split(r"\s*(?:-|\bto\b|–)\s*", first.text, maxsplit=1)
    unit = re.search(r"[^\W\d]+$", high)
    return Values(f"{low} {unit.group()}" if unit and unit.group() not in low else low, high, True, first.end)
