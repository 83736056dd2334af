"""The quantities of spoken notes: those told with a unit, and those whose unit was heard just before.

"It ought to show 2,700 psi and it was swinging from 900 to 1,600" holds three pressures. A number takes the unit of a
quantity it goes on from or is held against, if its size fits; money, counts and the mix of fuel are no readings.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from casebase.retain.storyvalues import standing
from casebase.trade.numbers import number
from casebase.trade.readings import NUMBER, Reading, find_readings

# How far a number may be from the quantity it takes its unit from, as a factor: a dead generator shows 4 volts of 230.
_LENT = {"V": 80, "psi": 30, "bar": 30, "kPa": 30, "rpm": 12, "mm": 30, "in": 30, "cm": 30, "thou": 30, "turn": 12, "A": 30, "ohm": 100,
         "kohm": 100, "%": 30, "N.m": 4, "ft-lb": 4, "in-lb": 4, "degC": 10, "degF": 10, "l": 6, "ml": 10, "ft": 12, "s": 6}
# These units are also those of jobs, distances and cans, so they are lent only to a number that is held against another.
_ONLY_COMPARED = frozenset(("l", "ml", "ft", "s", "cm", "%"))
_CLOSE = 4.0  # the factor where nothing but "it made 105" leads to the number
_LONGEST = 1_500  # characters of a sentence; what is longer was not spoken, and each number is held against each
_BACK = 3  # how many sentences a unit is remembered

_ABOUT = (r"(?:(?:up|down|back|about|around|near(?:er|ly|ish)?|close|to|roughly|exactly|just|only|barely|at|least|say|over|under|more|like|well|still|"
          r"steady|a|good|nice|something|somewhere|maybe|perhaps|by|rights|spot|on|it|me|and|no)[ ,]+){0,4}")
_COMPARED = (r"(?:(?:should(?:'ve|n't)?|ought to|supposed to|meant to|needs? to|has to|had to)(?: have)?(?: really| rightly)?(?: be(?:en)?| reads?| shows?| make| made| see| sit| have| get| got| run| hold| go)|"
             r"(?:'d|would|i) (?:want|like to see|expect|like|look for)|like to see|wants?|wanted|expect(?:ed|ing)?|calls? for|called for|"
             r"(?:book|plate|manual|maker|makers|tag|sticker|label|spec|sheet|chart)(?: figure)?(?: says| said| gives| is| was| has|'s)|"
             r"instead of|as against|against|rather than|compared (?:with|to)|nowhere near|not far off|short of|below|above|never (?:got|went|made) (?:past|above|over)|"
             r"spec(?:ification)?(?: is|'s)?|rated (?:at|for)|nominal(?:ly)?|not the|than)")
_GONE = (r"(?:from|between|to|up to|down to|back to|till it (?:read|showed|was|made)|until it (?:read|showed|was|made)|reached|hit|topped out at|"
         r"(?:stood|stayed|sat|sits|sitting|held|holds|settled|steady|idled|idling|ran|running|set|was|were|is|inlet|intake|exhaust|gapped|tick-?over|it's|up|down|put|reset|topping out|came in|come out|came out|ticking over|gapped|left it|put it) at)")
_WEAK = (r"(?:made|makes|reads?|reading|showed|shows|showing|shown|got|getting|saw|was|were|is|it's|now|then|gave|gives|came|measured|measures|had|with|had it|hot|cold|said|says|"
         r"tach\w*|rev counter|voltmeter|meter|gauge|tick-?over|compression|inlet|intake|exhaust|went)")
_ENDS = (r"(?=\s*(?:$|[.;:!?)]|,(?!\d))|\s(?:and|but|so|or|when|where|which|with|on|before|after|again|now|then|for|as|instead|because|cos|cold|hot|flat out|wide|odd|"
         r"tops|max|easy|give or take|i|it|he|she|if|until|till|by|under|without|once|though|while|like|down|up|each|both|either|too|rather|nominal|"
         r"at|since|than|to|no|not|straight|all|over|from|off|in(?! the (?:morning|afternoon|evening))|max|minimum|idling|running|loaded)\b(?! (?:nuts?|bolts?|screws?)))")
_NUMBER = rf"(?<![\w.,/£$€:-])(?P<value>{NUMBER}|\d{{1,2}},\d{{3}})(?![\w/%\"£$€]|[.,:]\d|-\w| and (?:an? )?(?:half|quarter|third|eighth)\b)"
_LED = tuple(re.compile(rf"(?:\b|(?='d)){cue}[ ,:]+{_ABOUT}{_NUMBER}{_ENDS}", re.IGNORECASE) for cue in (_COMPARED, _GONE, _WEAK))
_BEST = re.compile(rf"{_NUMBER} (?:at (?:best|most|the (?:most|best))|tops|and no more)\b", re.IGNORECASE)
_FURTHER = re.compile(rf"\s*(?:,? ?(?:and|or|to|then|down to|up to|back to)) {_ABOUT}{_NUMBER}{_ENDS}", re.IGNORECASE)
_FEELER = re.compile(r"(?<![\w.,/])(?P<value>\d?[.,]\d{2,3})(?= (?:feeler|blade|leaf|shim|wire gauge)\b)", re.IGNORECASE)
_SPREAD = re.compile(r"\b(?:from|between|swing\w*|wander\w*|hunt\w*|went)\s+(?:anywhere |somewhere )?(?:from |between )?(?:about |around |roughly )?$", re.IGNORECASE)
_ENDS_OF = re.compile(r"\s*(?:-|\bto\b|–|\band\b)\s*", re.IGNORECASE)
_MONEY = re.compile(r"[£$€]|\b(?:pounds?|quid|dollars?|bucks|euros?|cents|pence|costs?|price[ds]?|paid|pay|charge[ds]?|worth|money|spent|bill|invoice|new one|fetch)\b",
                    re.IGNORECASE)
_MARKS = re.compile(r"\b(?:lever|notch\w*|holes|marks?|gears?|positions?|clicks?|tooth|teeth|clip|grooves?|drips?|count(?:ed|ing)?)\b", re.IGNORECASE)
# What tells a unit by itself: batteries are spoken of in volts, and a tachometer shows nothing but revolutions.
_IMPLIED = tuple((unit, re.compile(rf"\b(?:{words})\b", re.IGNORECASE), low, high) for unit, words, low, high in (
    ("V", r"battery|voltmeter", 2.0, 16.0), ("V", r"volts|voltage|voltmeter", 90.0, 280.0),
    ("rpm", r"tach\w*|rev counter|ticking over|tick[- ]?over|idl(?:e|es|ing)|revs|no[- ]load|flat out|full throttle|wide open|governor", 700.0, 16_000.0),
    ("psi", r"compression", 30.0, 220.0)))
# Numbers of thousands are speeds where nothing speaks of pressure or of hours run ("sits at 1,800 now").
_THOUSANDS = re.compile(r"\d{1,2},\d{3}|(?!19|20)\d{1,2}[0-9]00|(?:\w+[ -])?(?:thousand|hundred)(?:[ -](?:and )?\w+){0,3}", re.IGNORECASE)
_NOT_SPEED = re.compile(r"\b(?:bypass|unloader|gauge|needle|press\w*|lance|knob|washer|hours?|clock|ohms?|coil|square|acres?|in (?:19|20)\d\d)\b", re.IGNORECASE)
_GAP = re.compile(r"\b(?:gap\w*|clearances?|inlet|intake|exhaust|valves?|points|coil)\b", re.IGNORECASE)
_NEEDLE = re.compile(r"\b(?:needles?|mixture|(?:low|high|slow|fast|L|H|top|idle|air|pilot)(?:[- ]speed)? (?:screw|one|jet))\b")
_MIXED = re.compile(r"(?:\d\d|ty|teen|twelve|hundred)(?:[ -]\w+)? to $", re.IGNORECASE)  # "fifty to one"
_NO_NUMBER = frozenset(("a", "an", "another"))
_PRESSURE = re.compile(r"\b(?:press\w*|compress\w*|gauge|vacuum|pump\w*|tyres?|tires?|hold\w*|held|pop(?:s|ped|[- ]?off)?|leak\w*|air(?! ?(?:filter|cleaner|box))|blow\w*)\b",
                       re.IGNORECASE)
_BOUGHT = re.compile(r"\b(?:new one|new|another|one|kit|set|pair|seals?|gaskets?|belt|plug|filter)\b[^,.;]{0,12} (?:at|for|is|was)\s+$", re.IGNORECASE)


def read_in(text: str, before: Sequence[Reading] = ()) -> tuple[Reading, ...]:
    """The quantities of a sentence, in order; `before` are those of the sentences before it, the last one last."""
    told = [one for reading in standing(find_readings(text), text) if not _is_none(reading, text) for one in _both_ends(reading, text)]
    told += _feelers(text, (*before, *told))
    every = sorted([*told, *_unitless(text, told, before)], key=lambda reading: reading.start)
    return tuple(standing(every, text))


class Heard:
    """Reads one sentence after the other and remembers what units were lately spoken of."""

    def __init__(self) -> None:
        self.lately: list[tuple[Reading, ...]] = []

    def read(self, text: str) -> tuple[Reading, ...]:
        found = read_in(text, [reading for readings in self.lately for reading in readings])
        self.lately = [*self.lately, found][-_BACK:]
        return found


def _is_none(reading: Reading, text: str) -> bool:
    """Whether it is none of the readings of a job: pulls on the rope, the mix of fuel, a price ("11.80 in parts")."""
    if reading.unit in ("pull", ":1"):
        return True
    if reading.unit == "psi" and "pound" in reading.text.lower():  # pounds are money where nothing speaks of pressure
        return not _PRESSURE.search(text) or bool(_BOUGHT.search(text[:reading.start]))
    return reading.unit == "in" and bool(re.match(r" parts\b", text[reading.end:]))


def _both_ends(reading: Reading, text: str) -> Iterator[Reading]:
    """ "From 900 to 1,600 psi" and "between 205 and 250 volts" were read at two times; "2 to 3 mm" is one reading."""
    ends = _ENDS_OF.split(reading.text, maxsplit=1)
    if reading.high is None or len(ends) < 2 or not _SPREAD.search(text[:reading.start]):
        yield reading
        return
    middle = reading.end - len(ends[1])
    yield reading._replace(high=None, text=ends[0], end=reading.start + len(ends[0]))
    yield reading._replace(value=reading.high, high=None, text=ends[1], start=middle)


def _feelers(text: str, heard: Sequence[Reading]) -> Iterator[Reading]:
    """ "A 0.03 feeler": blades are stamped in millimetres, or in inches where that would be far too thick a blade."""
    for match in _FEELER.finditer(text):
        value = number(match["value"])
        if value is not None:
            inches = len(match["value"].rpartition(".")[2]) == 3 and not any(reading.unit == "mm" for reading in heard)
            yield Reading(value, "in" if inches else "mm", match["value"], None, *match.span("value"))


def _unitless(text: str, told: Sequence[Reading], before: Sequence[Reading]) -> list[Reading]:
    """The numbers without a unit that go on from a quantity, or are held against one."""
    found: list[Reading] = []
    if len(text) > _LONGEST:
        return found
    led = [(match, weak) for weak, pattern in enumerate((*_LED, _BEST)) for match in _overlapping(pattern, text)]
    for match, weak in sorted(led, key=lambda pair: (pair[1] % 3, pair[0].start("value"))):
        _lend(match, weak, told, before, found)
    for reading in tuple(found):  # "calls for four and six"
        further = _FURTHER.match(text, reading.end)
        if further:
            _lend(further, 1, told, before, found)
    return found


def _overlapping(pattern: re.Pattern[str], text: str) -> Iterator[re.Match[str]]:
    """All matches, looking on from each number, so that "from 900 to 1,600" leads to both."""
    match = pattern.search(text)
    while match:
        yield match
        match = pattern.search(text, match.end("value"))


def _lend(match: re.Match[str], strength: int, told: Sequence[Reading], before: Sequence[Reading], found: list[Reading]) -> None:
    """Adds the number with the unit of the nearest quantity whose size it fits."""
    start, end = match.span("value")
    typed = match["value"]
    value = number(typed.replace(",", "") if re.fullmatch(r"\d{1,2},\d{3}", typed) else typed)
    if not value or typed.lower() in _NO_NUMBER or any(other.start < end and start < other.end for other in (*told, *found)):
        return
    if _priced(match.string, start, end, weak=strength == 2) or (value == 1 and _MIXED.search(match.string[:start])):
        return
    implied = _implied(match.string, typed, value, weak=strength == 2)
    if implied and not any(_fits(value, typed, lender, strength) for lender in told):
        found.append(Reading(value, implied, typed, None, start, end))
        return
    here = sorted((*told, *found), key=lambda reading: (reading.start > start, abs(reading.start - start)))
    lately = list(reversed(before))
    if _MARKS.search(match.string):
        lately = []
    for lender in here + (lately if strength != 2 else lately[:2]):
        if _fits(value, typed, lender, strength):
            found.append(Reading(value, lender.unit, typed, None, start, end))
            return
    if _THOUSANDS.fullmatch(typed) and 1000 <= value <= 16_000 and not _NOT_SPEED.search(match.string) and not _MONEY.search(match.string):
        found.append(Reading(value, "rpm", typed, None, start, end))


def _implied(text: str, typed: str, value: float, *, weak: bool) -> str:
    """The unit that what is measured is always told in: "battery read 12.7", "the gap is 0.6", "the tach said 3,900"."""
    unit = next((unit for unit, word, low, high in _IMPLIED if low <= value <= high and word.search(text)), "")
    if unit:
        return unit
    if re.fullmatch(r"0?[.,]\d{1,2}", typed) and value >= 0.02 and _GAP.search(text):
        return "mm"
    return "turn" if not weak and value <= 3 and not value * 8 % 1 and "." not in typed and _NEEDLE.search(text) else ""


def _fits(value: float, typed: str, lender: Reading, strength: int) -> bool:
    factor = _LENT.get(lender.unit)
    if factor is None or not lender.value or (strength and lender.unit in _ONLY_COMPARED):
        return False
    if typed.lower() in ("one", "1") and lender.unit != "turn":
        return False  # "back to one" of several
    if lender.unit == "turn" and (value > 6 or value * 8 % 1):
        return False
    if lender.unit == "rpm" and value < 300:
        return False
    ratio = value / abs(lender.value)
    return 1 / factor <= ratio <= factor if strength != 2 else 1 / _CLOSE <= ratio <= _CLOSE


def _priced(text: str, start: int, end: int, *, weak: bool) -> bool:
    """Whether money is spoken of beside a number; where little leads to the number, anywhere in its sentence."""
    low = max(text.rfind(sign, 0, start) for sign in (", ", "; ", ". ")) + 1
    beside = text[low:end + 12]
    return bool(_MONEY.search(text if weak else beside))
