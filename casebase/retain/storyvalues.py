"""The values of a setting as spoken: "was at one turn, I opened it to one and a quarter", "put it back to 1 1/8"."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest

from casebase.trade.numbers import COUNTS, number
from casebase.trade.readings import Reading, find_readings

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
    r"leaned|richened|increased|reduced|dropped|regapped|let|slackened|shortened|cut|changed|took|taken|put(?! (?:the|a|my) (?:tach|rev|meter|gauge|tester))|got|gave|tried|squeezed|shimmed|done|stepped|cranked|"
    r"tweaked|enriched|nipped|pulled it|come|came out at|(?<!was )(?<!were )up to|(?<!was )(?<!were )(?<!both )down to)\b", re.IGNORECASE)
_FROM = re.compile(r"\b(?:from|fr?ae)\s+(?:about |around |roughly |just )?$", re.IGNORECASE)
_SET_AT = re.compile(r"\b(?:gapped|set|adjusted) at\b[^,;]{0,12}$|\bhad (?:closed|opened|worn|crept|gone|drifted|dropped)\b[^,;]{0,20}$", re.IGNORECASE)
_STOOD = re.compile(r"\b(?:was|were|stood|standing|found|measured|read|reading|been|showed|sat|had)\b(?:[ \w]* (?:at|to))?[^,;]{0,24}$", re.IGNORECASE)
_TO = re.compile(r"\b(?:to|tae|at|now|then|of|on)\s+(?:about |around |exactly |roughly |just |the )*$|\bnow\b[^,;]*$", re.IGNORECASE)
_BY = re.compile(r"\b(?:by|another|back|in|out|up|down|further|clockwise|anticlockwise|it|them|screw|a)\s+(?:about |around |just )?(?:a |an )?$", re.IGNORECASE)
_UNTIL = re.compile(r"\b(?:till|until|so (?:that )?it|so there|which left|that left)\b", re.IGNORECASE)
_AT = re.compile(r"\b(?:to|tae|at|from|fr?ae|was|is|stood|found it|set it|put it|left it|got it)\s*(?:about |around |roughly |just )*(?:a |an )?$", re.IGNORECASE)
_STIRRED = re.compile(r"\b(?:opened|closed|turned|screwed|backed|wound|moved|eased|leaned|richened|raised|lowered|nudged|gave|tweaked|cracked)\b", re.IGNORECASE)
_ITSELF = re.compile(r"\b(?:came|fell|dropped|rose|climbed)(?: back)?(?: down| up)?\b", re.IGNORECASE)
APPROACH = r"(?:about |around |roughly |exactly |just |only |barely |nearly |maybe |a |good |full |bare |fair )*"
_CUE = rf"\b(?:from|to|at|was|were|now|then|or|stood|then to|got|gave|is|back to|of|on|went)\s+{APPROACH}"
_NOMINAL = re.compile(r"\b(?:should(?:'ve| have)? (?:be|been|read)|ought to (?:be|have been)|supposed to be|spec(?:ified)?(?: is| says)?|(?:book|manual|maker) (?:says|wants|gives)|wants|"
                      r"nominal(?:ly)?|instead of|not the|target(?: is)?|aim(?:ed|ing)? for)\s+(?:about |around |at least |to be )*$", re.IGNORECASE)
PART = r"(?:an? |one |three |five |seven )?(?:half|quarters?|eighths?)"
_BARE = {
    "turn": re.compile(rf"{_CUE}(?P<value>(?:\d+ )?\d+/\d+|\d+(?:[.,]\d+)?|(?:one|two|three)(?: and {PART})?|{PART}|\d and {PART})\b"
                       r"(?! ?(?:[a-z]*(?:mm|rpm|psi|%)|hours?|min|pulls?|times?|of |cuts?|more|day|week|side|end|hour|the|an? ))", re.IGNORECASE),
    "rpm": re.compile(r"(?<![\d.,/€£$])(?P<value>\d{1,2}[, ]?\d{3})\b(?! ?(?:[a-z]*(?:mm|psi|hours?|ohms?|volts?|w|kw|cc)\b))", re.IGNORECASE),
    "mm": re.compile(rf"{_CUE}(?P<value>\d?[.,]\d{{1,3}}|\d)\b(?! ?(?:(?!(?:and|but|so|i|which|then|now)\b)[a-z%€£]|[.,]?\d))", re.IGNORECASE),
}


def values_of(text: str, unit: str, *, told: bool = False) -> list[Reading]:
    """The quantities in a text that a setting told in `unit` may have, those whose unit was left out among them.

    `told` is True where the unit was heard before, so that "back to 75" is a value.
    """
    every = find_readings(text)
    found = [reading for reading in every if fits(reading.unit, unit)]
    patterns = [_STARTED if found else None, _BARE.get("mm" if unit in ("mm", "in", "thou", "cm") else unit), _AFTER if found or told else None]
    for match in (match for pattern in patterns if pattern for match in pattern.finditer(text)):
        start, end = match.span("value")
        value = number(match["value"].replace(",", "") if unit == "rpm" else match["value"])
        if value is None or any(other.start < end and start < other.end for other in (*every, *found)):
            continue
        if (unit == "turn" and value > 6) or (match.re is _AFTER and not told and start < found[0].start):
            continue
        found.append(Reading(value, "", match["value"], None, start, end))
    found = [reading for reading in found if not _NOMINAL.search(text[: reading.start])]
    return standing(sorted(found, key=lambda reading: reading.start), text)


def standing(found: Sequence[Reading], text: str) -> list[Reading]:
    """The quantities that stand after the speaker has corrected himself: "two thou, no, tell a lie, one thou" is one."""
    return [reading for reading, following in zip_longest(found, found[1:])
            if not (following and fits(following.unit or reading.unit, reading.unit or following.unit)
                    and _CORRECTED.fullmatch(text[reading.end:following.start]))]


# A number without its unit, told after another that had one: "from 75 bar to 110", "was twenty thou, set it to twelve".
_WORDS = "|".join((*(word for word, value in COUNTS.items() if value and word not in ("a", "an")), "hundred"))
_COUNT = rf"(?P<value>\d+/\d+|\d{{1,5}}(?:[.,]\d+)?|{PART}|(?:{_WORDS})(?:[ -](?:{_WORDS}))*(?: and {PART})?)"
_AFTER = re.compile(rf"\b(?:to|at|now|then|got|put both to|put them to)\s+{APPROACH}{_COUNT}"
                    r"(?=$|[,.;:)]| (?:and|but|for|which|as|with|so|by|on|before|after|again|now|then|instead|because|where|like)\b)", re.IGNORECASE)
_STARTED = re.compile(rf"\bfrom {APPROACH}{_COUNT}(?= (?:down |up |back )?to\b)", re.IGNORECASE)
_CORRECTED = re.compile(r"[ ,.–—-]+(?:oh |er |erm |um |well |ah )?(?:no|nah|nope|sorry|(?:scratch|scrub|strike|cancel) that|make that|tell a lie|i mean|i lie|i tell a lie|correction|what (?:do )?i say|hang on|hold on|wait|rather|or rather|actually)\b"
                        r"(?:[ ,.–—-]+(?:no|nah|sorry|wait|hang on|hold on|tell a lie|i tell a lie|i mean|actually|make that|not that|i wrote it down|(?:let me|i'll) look(?: at \w+ \w+)?|i(?:'ve| have)? (?:got|have) it(?: written| noted)?(?: down)?(?: here)?|it was|it's|i read (?:that|it) wrong|i misread (?:that|it)|call it|that's|say|more like|let me see|i had it down|what(?: have| did|'ve) i (?:written?|put|said?|saying)(?: down)?|what am i saying|"
                        r"(?:scratch|scrub|strike|cancel) that))*[ ,.–—-]+", re.IGNORECASE)


def read_values(text: str, lead: str, unit: str, *, told: bool = False) -> Values:
    """The values of a setting in the words behind its name; `lead` stands before the name, `unit` is what it is told in."""
    found = values_of(text, unit, told=told) if unit else []
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
        self.text, self.lead = text, lead[-30:].rpartition(",")[2]
        self.turned = bool(_TURNED.search(self.lead))
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

    def _is_by(self, between: str, reading: Reading, moved: re.Match[str] | None) -> bool:
        """Whether a value is by how much a setting was moved: "turned it out half a turn", and not where it was put."""
        given = (reading.value >= 1 or reading.unit not in ("turn", "rpm", "")) and re.search(r"\b(?:gave|give) (?:it|them|her|him)\b", f"{self.lead}{between}", re.IGNORECASE)  # "gave it one and a quarter" is where it was put
        if not (moved or self.turned) or _AT.search(between) or given:
            return False
        if reading.unit == "turn" and (_STIRRED.search(between) or _STIRRED.search(self.lead)) and not _STOOD.search(between):
            return True
        return reading.unit in ("turn", "thou", "mm", "rpm", "in") and bool(_BY.search(between))

    def _side(self, between: str, reading: Reading, at: int, *, last: bool) -> None:
        value = reading.text.strip()
        stood, moved = _STOOD.search(between), _TURNED.search(between)
        if self._is_by(between, reading, moved):
            self.turned, self.note = True, self.note or between.rpartition(",")[2].strip() + " " + value
            self.note = self.note.strip()
        elif _FROM.search(between) or _SET_AT.search(between) or (stood and not _UNTIL.search(between) and not (moved and moved.start() > stood.start())):
            if not self.before and not self.after:
                self.before = value
            self.turned = self.turned or bool(_FROM.search(between))
        elif moved or self.turned or _TO.search(between) or _UNTIL.search(between):
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
