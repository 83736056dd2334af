"""Readings: quantities as repairers write and say them ("6 thou", "110 pounds", "one and an eighth turns").

A reading keeps the words it was typed in; its number and unit are read from them. Conversions go through
pint, which is loaded only when something is really converted.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from functools import cache
from itertools import pairwise
from typing import Any, NamedTuple

from casebase.trade.numbers import COUNTS, FIGURES, MANY, PARTS, in_hundreds, number
from casebase.trade.words import plain

# How units are written or said, and the name of the unit they mean.
_UNIT_WORDS = {
    "in": ("in", "inch", "inches", '"'), "thou": ("thou", "thousandth", "thousandths", "mils"),
    "mm": ("mm", "millimetre", "millimetres", "millimeter", "millimeters", "mil"),
    "cm": ("cm", "centimetre", "centimetres", "centimeter", "centimeters"),
    "ft": ("ft", "foot", "feet"), "yd": ("yd", "yards", "yard"), "m": ("metre", "metres", "meter", "meters"),
    "psi": ("psi", "p.s.i", "p.s.i.", "lb/in2", "pounds", "pound", "lbs", "lb"),
    "kPa": ("kpa",), "bar": ("bar", "bars"),
    "kgf/cm2": ("kgf/cm2", "kgf/cm²", "kg/cm2", "kg/cm²"),
    "N.m": ("nm", "n.m", "n·m", "newton metres", "newton metre", "newton-metres", "newton meters", "newton meter", "newton-meters"),
    "ft-lb": ("ft-lb", "ft-lbs", "ft lb", "ft lbs", "ft. lb", "ft. lbs", "ft.lb", "ft.lbs", "ft/lb", "ft/lbs", "lbf·ft",
              "lb-ft", "lb ft", "foot pounds", "foot pound", "foot-pounds", "pound feet", "pounds feet"),
    "in-lb": ("in-lb", "in-lbs", "in lb", "in lbs", "in. lb", "in. lbs", "in.lb", "in.lbs", "in/lb", "in/lbs", "lbf·in",
              "lb-in", "inch pounds", "inch-pounds"),
    "rpm": ("rpm", "revolutions per minute", "revolutions a minute", "revolutions", "revs per minute", "revs a minute", "revs", "r/min"), "V": ("v", "volt", "volts"), "A": ("amp", "amps"),
    "ohm": ("ohm", "ohms", "Ω"), "kohm": ("kohm", "kohms", "k ohm", "kilohm", "kilohms", "kΩ"),
    "cc": ("cc", "cm3", "cm³", "ccm", "cubic centimetres", "cubic centimeters"), "ml": ("ml", "millilitre", "millilitres"),
    "l": ("litre", "litres", "liter", "liters"), "oz": ("oz", "ounce", "ounces"), "pint": ("pint", "pints"),
    "quart": ("quart", "quarts"), "gal": ("gal", "gallon", "gallons"), "turn": ("turn", "turns"), "%": ("%", "percent", "per cent"),
    "degC": ("°c", "degrees c", "deg c", "degc"), "degF": ("°f", "degrees f", "deg f", "degf"), "hp": ("hp", "horsepower", "horse"),
    "kW": ("kw", "kilowatt", "kilowatts"), "s": ("second", "seconds", "sec", "secs"), "min": ("min", "mins", "minute", "minutes"),
    "h": ("hour", "hours", "hr", "hrs"),
    "day": ("day", "days"), "week": ("week", "weeks"), "month": ("month", "months"),
    "year": ("year", "years", "yr", "yrs", "yo"), "pull": ("pull", "pulls"),
}
# Turns and percent stay out: both are bare numbers to pint, and one would be turned into the other.
_PINT_NAMES = {
    "in": "inch", "mm": "millimeter", "cm": "centimeter", "ft": "foot", "yd": "yard", "m": "meter", "thou": "thou", "psi": "psi",
    "kPa": "kilopascal", "bar": "bar", "kgf/cm2": "kilogram_force / centimeter ** 2", "N.m": "newton * meter",
    "ft-lb": "foot * pound_force", "in-lb": "inch * pound_force", "rpm": "revolutions_per_minute", "V": "volt",
    "A": "ampere", "ohm": "ohm", "kohm": "kiloohm", "cc": "centimeter ** 3", "ml": "milliliter", "l": "liter",
    "oz": "fluid_ounce", "pint": "pint", "quart": "quart", "gal": "gallon", "degC": "degC",
    "degF": "degF", "hp": "horsepower", "kW": "kilowatt", "s": "second", "min": "minute", "h": "hour", "day": "day",
    "week": "week", "month": "month", "year": "year",
}
UNITS = (*_UNIT_WORDS, ":1")

_NUMBER_WORDS = {*COUNTS, *PARTS, *MANY} - {"a", "an"}
# The units of which "a" counts one: "a year old"; a pint is also a pastime.
_ONE_OF = ("turn", "year", "month", "week", "day", "h", "in", "mm", "quart", "l", "gal")
_GLYPHS = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8", "⅓": "1/3", "⅔": "2/3"}

# The patterns below read plain text (`words.plain`): lower case, one kind of dash. Every repetition has a limit, so
# that no text can keep them busy.
_WORD = "|".join(sorted((*COUNTS, *PARTS, *MANY), key=len, reverse=True))
_PART = "|".join(sorted(PARTS, key=len, reverse=True))
_ANOTHER = (r"another(?= (?:hour|minute|turn|inch|litre|liter|quart|gallon)\b)|(?:a )?couple(?: of)?(?= (?:good )?"
            r"(?:feet|inches|minutes|hours|days|weeks|months|years|turns|litres|liters|quarts|metres|mm|mil|thou|volts|psi)\b)")
_DIGITS = (rf"(?:{_ANOTHER}|"
           r"(?:\d{1,9}[ -])?\d{1,9}/\d{1,9}(?: an?(?= ))?"
           rf"|\d{{1,9}} and (?:(?:an? )?(?:{_PART})|\d{{1,9}}/\d{{1,9}})(?: (?:hundred|thousand))?"
           r"|\d{1,3}(?:[.,]\d{1,2})? (?:hundred|thousand)|\d{1,3} \d{3}(?= ?(?:rpm|r/min|a minute|per minute))|\d{0,9}[.,]\d{1,9}|\d{1,9})")
_DECIMALS = rf"point(?:[ -](?:{'|'.join(FIGURES)})){{1,4}}"
_SAID = (rf"(?:{_DECIMALS}|(?:{_WORD})(?:[ -](?:(?:(?<=hundred.)|(?<=thousand.))and[ -])?(?:{_WORD})){{0,8}}"
         rf"(?:[ -]and[ -](?:(?:{_WORD})[ -])?(?:{_PART})(?: (?:hundred|thousand))?|[ -]{_DECIMALS}(?: (?:hundred|thousand))?)?)")
NUMBER = rf"(?:{_DIGITS}|\b{_SAID}\b)"
_UNIT_OF = {plain(word): unit for unit, words in _UNIT_WORDS.items() for word in words}
_UNIT = "|".join(re.escape(word) for word in sorted(_UNIT_OF, key=len, reverse=True))
_MANNER = r"(?:odd|full|whole|good|solid|straight|fresh|new)[\s-]"  # "a fresh litre"
_READING = (rf"(?<![\w.,/])(?<!\d:)(?P<low>{NUMBER})(?:\s?(?:-|to|or)\s{{0,3}}(?P<high>{NUMBER}))?[\s-]{{0,3}}"
            rf"(?:of an? |(?:and a bit |{_MANNER}){{1,2}})?"
            rf"(?P<unit>{_UNIT})(?![\w²³])")
_BETWEEN = rf"\bbetween (?P<low>{NUMBER}) and (?={NUMBER})"
_WHOLE = r"(?P<unit>turn|inch|minute|hour|day|week|month|year|quart|pint|litre|liter|gallon|metre|meter|mil)(?:es|s)? and "
_UNIT_AND = rf"\b{_WHOLE}$"
_AND_PART = (rf"\b(?:(?P<whole>\d{{1,3}}|{'|'.join(COUNTS)})[ -])?{_WHOLE}"
             rf"(?P<part>\d/\d{{1,2}}|(?:(?:{_WORD}) )?(?:{_PART}))\b(?! of the| the)")
_AND_MINUTES = r"\b(?:(?P<whole>an|one|two|three|four) )?hours? and (?P<minutes>five|ten|twenty|twenty[ -]five|forty|fifty)\b(?! (?:min|sec|of|odd))"
_PER_MINUTE = rf"(?<![\w.,/£$€])(?P<low>{NUMBER})(?:\s?(?:-|to|or)\s(?P<high>{NUMBER}))? (?:a|per) minute\b(?! (?:ago|later|after|or)\b)"
_RATIO = r"(?<![\w.:])(?P<parts>\d{2,3})\s?(?::|to)\s?1(?![\w:]|[.,]\d)"

# Where a comma before three digits parts thousands ("2,800 rpm"); elsewhere it is a decimal comma ("0,125 mm").
_LARGE = frozenset(("rpm", "psi", "kPa", "ohm", "cc", "ml", "h"))
_IN_HUNDREDS = ("rpm", "psi")  # in which "thirty-four fifty" is 3,450
_SLOWEST = 500  # so often a minute only an engine turns
_ORDINALS = frozenset(("third", "fourth", "eighth", "sixteenth"))
# What makes a number a pronoun ("set that one to 0.12 mm"), a time a rate ("once a day") and a unit a name ("a two-bar heater").
_PRONOUN = r"\b(?:that|this|the|each|other|which|every|last|first|good|old|new|no|any) $"
_RATE = r"(?:\b(?:once|twice|times?|pounds?|dollars?|euros?|quid|bucks|starts?|job) |[£$€]\s?[\d.,]{1,9} )$"
_NAMED = {"bar": r"[ -](?:heater|fire|electric)", "horse": r"[ -]?(?:box|trailer|float|stall|stable|drawn)"}
# What makes "in" the preposition, and pounds a price or a weight.
_AFTER_IN = r" (?:\d|(?:the|an?|my|his|her|our|its?|this|that|these|those|there|here|each|every|all|total)\b)"
_PENCE = rf" (?:(?:an hour|each|a time)\b|\d\d|(?:{_WORD})(?:[ -](?:{_WORD}))?)\b(?! ?(?:mm|min|hour|psi|thou))"  # "four pound thirty"
_NOT_PRESSURE = (r"\b(?:costs?|paid|pay|charged?|worth|spent|spend|price|sold|bought|weigh(?:s|ed|ing)?|weight)\b"
                 r"[^.;!?]{0,40}$")


class Reading(NamedTuple):
    """A quantity found in a text. `high` is set for a range; `start` and `end` are character positions."""

    value: float
    unit: str
    text: str
    high: float | None = None
    start: int = 0
    end: int = 0

    def to(self, unit: str) -> float:
        """The value in another unit. Raises ValueError where the two measure different things."""
        return convert(self.value, self.unit, unit)

    def __str__(self) -> str:
        value = f"{self.value:g}" if self.high is None else f"{self.value:g}–{self.high:g}"
        return f"{value} {self.unit}"


@cache
def _compiled(pattern: str) -> re.Pattern[str]:
    """Compiled at first use: these patterns are large and most questions hold no quantity."""
    return re.compile(pattern)


def find_readings(text: str) -> tuple[Reading, ...]:
    """All quantities with a unit in a text, in order. A number without a unit is no reading."""
    if not _may_hold_number(text):
        return ()
    spelled, origin = _spelled(text)
    found = [*_per_minute(spelled), *_plain_readings(spelled), *_and_part_readings(spelled), *_ratios(spelled)]
    found.sort(key=lambda reading: (reading.start, -reading.end))
    kept: list[Reading] = []
    free = 0
    for reading in found:
        if reading.start >= free:
            free = reading.end
            start, end = origin[reading.start], origin[reading.end - 1] + 1
            kept.append(reading._replace(text=text[start:end], start=start, end=end))
    return tuple(kept)


def _may_hold_number(text: str) -> bool:
    """Whether there is a digit, a fraction sign, a number word, or "a" before a unit it can count."""
    if any(char.isdigit() or char in _GLYPHS for char in text):
        return True
    words = re.split(r"[\W_]+", text.lower())
    return any(word in _NUMBER_WORDS for word in words) or any(
        one in ("a", "an", "another", "couple") and any(unit in _UNIT_OF for unit in words[at + 1:at + 4]) for at, one in enumerate(words))


def _spelled(text: str) -> tuple[str, Sequence[int]]:
    """The text made plain, with "½" as "1/2", and for each of its characters the position it came from."""
    simple = plain(text)
    origin: Sequence[int] = range(len(text))
    if not simple.isascii() and any(char in _GLYPHS for char in simple):
        pieces = [(" " if simple[at - 1:at].isdecimal() else "") + _GLYPHS[char] if char in _GLYPHS else char
                  for at, char in enumerate(simple)]
        origin = [at for at, piece in enumerate(pieces) for _ in piece]
        simple = "".join(pieces)
    if "between" in simple:  # "between 5 and 8 psi" is a range like "5 to 8 psi"
        simple = _compiled(_BETWEEN).sub(lambda match: match.group()[:-len(" and ")] + " to  ", simple)
    return simple, origin


def _plain_readings(text: str) -> Iterator[Reading]:
    for match in _compiled(_READING).finditer(text):
        unit = _UNIT_OF[match["unit"]]
        low = _value(match["low"], unit)
        if match["unit"] == "mil" and low is not None and low >= 100:
            unit = "ml"  # "six hundred mil" is of oil
        if low is None or _is_no_quantity(match, unit):
            continue
        start = match.start()
        if match["high"] and _is_of_before(match["low"], text[max(0, start - 12):start]):
            yield from (one._replace(start=one.start + match.start("high"), end=one.end + match.start("high"))
                        for one in _plain_readings(match.group()[match.start("high") - start:]))
            continue
        if unit in ("degC", "degF") and re.search(r"(?:^|[\s(])-$", text[max(0, match.start() - 2):match.start()]):
            low = -low
        high = _value(match["high"], unit) if match["high"] else None
        times = MANY.get(match["high"].split()[-1], 1) if high else 1  # "3 to 3.5 thousand"
        yield Reading(low * times if low < times else low, unit, match.group(), high, match.start(), match.end())


def _is_of_before(low: str, before: str) -> bool:
    """Whether the first number of a range belongs to the words before it: "that one to 8 thou", "an inch and a half to half an inch"."""
    return bool(low == "one" and _compiled(_PRONOUN).search(before)) or bool(low.split()[-1] in PARTS and _compiled(_UNIT_AND).search(before))


def _value(typed: str, unit: str) -> float | None:
    if unit in _LARGE and re.fullmatch(r"[1-9]\d{0,2},\d{3}", typed):
        typed = typed.replace(",", "")
    hundreds = in_hundreds(typed) if unit in _IN_HUNDREDS else None
    return number(typed) if hundreds is None else hundreds


def _is_no_quantity(match: re.Match[str], unit: str) -> bool:
    """Whether what looks like a quantity is something else: a rank, a price, a weight, the word "in"."""
    text, low = match.string, match["low"]
    if match["unit"] == "in":  # "two in the morning", "1 in 50": the preposition, not the unit
        return low[-1] not in "0123456789" or bool(_compiled(_AFTER_IN).match(text, match.end()))
    named = _NAMED.get(match["unit"])
    if named and _compiled(named).match(text, match.end()):
        return True
    if low in ("a", "an"):
        return _counts_none(match, unit)
    if low.endswith((" a", " an")) and "/" not in low and low.split()[-2] not in PARTS:  # "three a minute"
        return True
    if low in _ORDINALS and " of " not in match.group():  # "on the third pull"
        return True
    if unit == "psi" and match["unit"] in ("pound", "pounds", "lb", "lbs"):
        if _compiled(_PENCE).match(text, match.end()):
            return True
        of = re.match(r" of (?!pressure|compression|vacuum|air)", text[match.end():match.end() + 16])
        return bool(of) or bool(_compiled(_NOT_PRESSURE).search(text[max(0, match.start() - 60):match.start()]))
    return False


def _counts_none(match: re.Match[str], unit: str) -> bool:
    """Whether "a" before a unit counts no quantity: "once a day", "a foot", "thirty years old if it's a day"."""
    before = match.string[max(0, match.start() - 20):match.start()]
    if unit not in _ONE_OF or match["unit"] == "gal":
        return not (unit in ("pint", "ft", "m") and _compiled(r" of (?!the|that|my|his)").match(match.string, match.end()))
    return bool(_compiled(_RATE).search(before) or (unit == "day" and _compiled(r"\bif \S{1,12} $").search(before)))


def _and_part_readings(text: str) -> Iterator[Reading]:
    """ "A turn and a half", "turn and a quarter", "2 years and a half"."""
    for match in _compiled(_AND_PART).finditer(text):
        whole, part, unit = number(match["whole"] or "one"), number(match["part"]), _UNIT_OF[match["unit"]]
        if whole is None or part is None or match["part"] in _ORDINALS or not (match["whole"] or unit in ("turn", "h")):
            continue
        unit = "ml" if match["unit"] == "mil" and whole >= 100 else unit
        yield Reading(whole + part, unit, match.group(), None, match.start(), match.end())
    for match in _compiled(_AND_MINUTES).finditer(text):  # "an hour and ten"
        whole, part = number(match["whole"] or "one"), number(match["minutes"])
        if whole is not None and part is not None:
            yield Reading(60 * whole + part, "min", match.group(), None, match.start(), match.end())


def _per_minute(text: str) -> Iterator[Reading]:
    """ "3,500 a minute"."""
    for match in _compiled(_PER_MINUTE).finditer(text) if " minute" in text else ():
        value, high = _value(match["low"], "rpm"), _value(match["high"], "rpm") if match["high"] else None
        if value is not None and value >= _SLOWEST:
            yield Reading(value, "rpm", match.group(), high, match.start(), match.end())


def _ratios(text: str) -> Iterator[Reading]:
    for match in _compiled(_RATIO).finditer(text):
        yield Reading(float(match["parts"]), ":1", match.group(), None, match.start(), match.end())


def convert(value: float, unit: str, to: str) -> float:
    """`value` in another unit. Raises ValueError for an unknown unit or one of another kind."""
    if unit == to:
        return value
    for name in (unit, to):
        if name not in _PINT_NAMES:
            raise ValueError(f'"{name}" is not a unit that can be converted; known: {", ".join(_PINT_NAMES)}')
    registry, dimensionality_error = _pint()
    try:
        return float(registry.Quantity(value, _PINT_NAMES[unit]).to(_PINT_NAMES[to]).magnitude)
    except dimensionality_error:
        raise ValueError(f"{unit} cannot be turned into {to}: they measure different things") from None


@cache
def _pint() -> tuple[Any, type[Exception]]:
    import pint  # .7 s, so only when something is converted

    return pint.UnitRegistry(), pint.DimensionalityError


class PairCheck(NamedTuple):
    """Two ways one reading was printed, held against each other. `error` is the relative difference."""

    first: Reading
    second: Reading
    error: float

    @property
    def verdict(self) -> str:
        """ "ok" up to 3 % apart (rounding), "doubtful" up to 15 %, "wrong" above (our rule, no source)."""
        return "ok" if self.error <= 0.03 else "doubtful" if self.error <= 0.15 else "wrong"

    @property
    def explanation(self) -> str:
        """A sentence for a pair that is not ok, naming a slip of the decimal point where that explains it."""
        value = convert(self.first.value, self.first.unit, self.second.unit)
        ratio = self.second.value / value if value else 0.0
        said = f"{self.first.text} is {value:.4g} {self.second.unit}, not {self.second.text}"
        for power in (1000.0, 100.0, 10.0, 0.1, 0.01, 0.001):
            if abs(ratio / power - 1) <= 0.06:
                return said + f"; the decimal point has slipped (×{power:g})"
        return said


_PAIR_GLUE = re.compile(r"\s*(?:\(|or|=|/)\s*", re.IGNORECASE)


def check_pairs(text: str) -> tuple[PairCheck, ...]:
    """Finds printed pairs such as "0.008 in (0.20 mm)" and compares the two values; of ranges, both ends."""
    found = find_readings(text)
    pairs = []
    for first, second in pairwise(found):
        if _PAIR_GLUE.fullmatch(text[first.end:second.start]) and first.unit != second.unit:
            pairs += [_compare(*ends) for ends in zip(_ends(first), _ends(second), strict=False)]
    return tuple(pair for pair in pairs if pair is not None)


def _compare(first: Reading, second: Reading) -> PairCheck | None:
    try:
        value = convert(first.value, first.unit, second.unit)
    except ValueError:
        return None
    difference = max(0.0, abs(second.value - value) - _rounding(second.text))
    return PairCheck(first, second, difference / abs(value)) if value else None


def _ends(reading: Reading) -> tuple[Reading, ...]:
    """The two ends of a range as readings of their own, each with the digits it was printed in."""
    if reading.high is None:
        return (reading,)
    match = _compiled(_READING).match(_spelled(reading.text)[0])
    low, high = (match["low"], match["high"]) if match else (f"{reading.value:g}", f"{reading.high:g}")
    return (reading._replace(high=None, text=f"{low} {reading.unit}"),
            reading._replace(value=reading.high, high=None, text=f"{high} {reading.unit}"))


def _rounding(text: str) -> float:
    """Half a unit in the last printed place: "3 psi" may be anything from 2.5 to 3.5, "3/8 in" a sixteenth off."""
    spelled = _spelled(text)[0]
    fraction = re.match(r"(?:\d+[ -])?\d+/(\d+)", spelled)
    if fraction:
        return 0.5 / max(1, int(fraction[1]))
    match = re.match(r"\d*(?:[.,](\d+))?", spelled)
    return 0.5 * 10.0 ** -len(match[1] or "") if match else 0.0
