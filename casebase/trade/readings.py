"""Readings: quantities as repairers write and say them ("6 thou", "110 pounds", "one and an eighth turns").

A reading keeps the words it was typed in; its number and unit are read from them. Conversions go through
pint, which is loaded only when something is really converted.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from typing import Any, NamedTuple

# How units are written or said, and the name of the unit they mean.
_UNIT_WORDS = {
    "in": ("in", "inch", "inches", '"'), "thou": ("thou", "thousandth", "thousandths", "mil", "mils"),
    "mm": ("mm", "millimetre", "millimetres", "millimeter", "millimeters"),
    "cm": ("cm", "centimetre", "centimetres", "centimeter", "centimeters"),
    "ft": ("ft", "foot", "feet"), "m": ("metre", "metres", "meter", "meters"),
    "psi": ("psi", "lb/in2", "pounds", "pound", "lbs"), "kPa": ("kpa",), "bar": ("bar", "bars"),
    "kgf/cm2": ("kgf/cm2", "kgf/cm²", "kg/cm2", "kg/cm²"),
    "N.m": ("nm", "n.m", "n·m", "newton metres", "newton-metres"),
    "ft-lb": ("ft-lb", "ft-lbs", "ft lb", "ft lbs", "lbf·ft", "foot pounds", "foot-pounds"),
    "in-lb": ("in-lb", "in-lbs", "in lb", "in lbs", "lbf·in", "inch pounds", "inch-pounds"),
    "rpm": ("rpm", "revs per minute", "r/min"), "V": ("v", "volt", "volts"), "A": ("amp", "amps"),
    "ohm": ("ohm", "ohms", "Ω"), "kohm": ("kohm", "kohms", "k ohm", "kilohm", "kilohms", "kΩ"),
    "cc": ("cc", "cm3", "cm³", "ccm"), "ml": ("ml", "millilitre", "millilitres"),
    "l": ("litre", "litres", "liter", "liters"), "oz": ("oz", "ounce", "ounces"), "pint": ("pint", "pints"),
    "gal": ("gal", "gallon", "gallons"), "turn": ("turn", "turns"), "%": ("%", "percent", "per cent"),
    "degC": ("°c", "degrees c", "deg c"), "degF": ("°f", "degrees f", "deg f"), "hp": ("hp",), "kW": ("kw",),
    "s": ("second", "seconds", "sec"), "min": ("min", "mins", "minute", "minutes"), "h": ("hour", "hours", "hrs"),
    "day": ("day", "days"), "week": ("week", "weeks"), "month": ("month", "months"),
    "year": ("year", "years", "yr", "yrs", "yo"), "pull": ("pull", "pulls"),
}
_PINT_NAMES = {
    "in": "inch", "mm": "millimeter", "cm": "centimeter", "ft": "foot", "m": "meter", "thou": "thou", "psi": "psi",
    "kPa": "kilopascal", "bar": "bar", "kgf/cm2": "kilogram_force / centimeter ** 2", "N.m": "newton * meter",
    "ft-lb": "foot * pound_force", "in-lb": "inch * pound_force", "rpm": "revolutions_per_minute", "V": "volt",
    "A": "ampere", "ohm": "ohm", "kohm": "kiloohm", "cc": "centimeter ** 3", "ml": "milliliter", "l": "liter",
    "oz": "fluid_ounce", "pint": "pint", "gal": "gallon", "turn": "turn", "%": "percent", "degC": "degC",
    "degF": "degF", "hp": "horsepower", "kW": "kilowatt", "s": "second", "min": "minute", "h": "hour", "day": "day",
    "week": "week", "month": "month", "year": "year",
}
UNITS = tuple(_UNIT_WORDS)

_SMALL = {word: value for value, word in enumerate(
    "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen "
    "seventeen eighteen nineteen twenty".split())}
_SMALL |= {word: 10 * value for value, word in enumerate("thirty forty fifty sixty seventy eighty ninety".split(), 3)}
_SMALL |= {"a": 1, "an": 1}
_PARTS = {"half": 2, "halves": 2, "third": 3, "thirds": 3, "quarter": 4, "quarters": 4, "fourth": 4, "eighth": 8,
          "eighths": 8, "sixteenth": 16, "sixteenths": 16}
_NUMBER_WORDS = {*_SMALL, *_PARTS, "hundred"} - {"a", "an"}
_GLYPHS = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8", "⅓": "1/3", "⅔": "2/3"}

_WORD_NUMBER = "|".join(sorted((*_SMALL, *_PARTS, "hundred"), key=len, reverse=True))
_DIGITS = r"(?:\d+[ -]\d+/\d+|\d+/\d+|\d+ and (?:a |an |\d+/)?(?:half|quarter|eighth|\d+)|\d*[.,]\d+|\d+)"
_SAID = rf"(?:(?:{_WORD_NUMBER})(?:[ -](?:and[ -])?(?:{_WORD_NUMBER}))*)"
_NUMBER = rf"(?:{_DIGITS}|\b{_SAID}\b)"
_UNIT = "|".join(re.escape(word) for word in
                 sorted((word for words in _UNIT_WORDS.values() for word in words), key=len, reverse=True))
_READING = (rf"(?<![\w.,/])(?P<low>{_NUMBER})(?:\s*(?:-|–|to|or)\s*(?P<high>{_NUMBER}))?[\s-]*(?:of an? )?"
            rf"(?P<unit>{_UNIT})(?![\w²³])")
_TURN_AND = rf"\b(?P<whole>a|one|two|three)? ?turns? and (?:an? )?(?P<part>{'|'.join(_PARTS)})\b"
_RATIO = r"(?<![\w.:])(?P<parts>\d{2,3})\s*(?::|to)\s*1(?![\w:])"
_UNIT_OF = {word: unit for unit, words in _UNIT_WORDS.items() for word in words}


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
    return re.compile(pattern, re.IGNORECASE)


def find_readings(text: str) -> tuple[Reading, ...]:
    """All quantities with a unit in a text, in order. A number without a unit is no reading."""
    if not _may_hold_number(text):
        return ()
    spelled = text
    for glyph, fraction in _GLYPHS.items():
        spelled = re.sub(rf"(?<=\d){glyph}", f" {fraction}", spelled).replace(glyph, fraction)
    found = [*_plain_readings(spelled), *_turn_readings(spelled), *_ratios(spelled)]
    found.sort(key=lambda reading: (reading.start, -reading.end))
    kept: list[Reading] = []
    for reading in found:
        if not kept or reading.start >= kept[-1].end:
            kept.append(reading)
    return tuple(kept)


def _may_hold_number(text: str) -> bool:
    """Whether there is a digit, a fraction sign or a number word besides "a"."""
    if any(char.isdigit() or char in _GLYPHS for char in text):
        return True
    return any(word in _NUMBER_WORDS for word in re.split(r"[\W_]+", text.lower()))


def _plain_readings(text: str) -> Iterator[Reading]:
    for match in _compiled(_READING).finditer(text):
        low = number(match["low"])
        if low is None:
            continue
        unit = _UNIT_OF[match["unit"].lower() if match["unit"].lower() in _UNIT_OF else match["unit"]]
        if unit == "in" and match["unit"].lower() == "in" and not re.search(r"[\d/]\s?$", text[: match.start("unit")]):
            continue  # "two in the morning": the preposition, not the unit
        if match["low"].lower() in ("a", "an") and unit not in ("turn", "year", "month", "week", "day"):
            continue
        yield Reading(low, unit, match.group(), number(match["high"]) if match["high"] else None, match.start(),
                      match.end())


def _turn_readings(text: str) -> Iterator[Reading]:
    """ "A turn and a half", "turn and a quarter"."""
    for match in _compiled(_TURN_AND).finditer(text):
        whole = _SMALL[(match["whole"] or "one").lower()]
        yield Reading(whole + 1 / _PARTS[match["part"].lower()], "turn", match.group().strip(), None, match.start(),
                      match.end())


def _ratios(text: str) -> Iterator[Reading]:
    for match in _compiled(_RATIO).finditer(text):
        yield Reading(float(match["parts"]), ":1", match.group(), None, match.start(), match.end())


def number(text: str) -> float | None:
    """A number as typed or said: `7/8`, `1 1/8`, `.008`, `0,2`, "one and an eighth", "seven eighths"."""
    cleaned = re.sub(r"(?<=\w) an?$", "", " ".join(text.lower().replace("-", " ").split()))  # "half a (turn)"
    mixed = re.fullmatch(r"(?:(\d+) (?:and )?)?(\d+)/(\d+)", cleaned)
    if mixed:
        return None if int(mixed[3]) == 0 else int(mixed[1] or 0) + int(mixed[2]) / int(mixed[3])
    if re.fullmatch(r"\d*[.,]?\d+", cleaned):
        return float(cleaned.replace(",", "."))
    total = 0.0
    current: float | None = None
    for word in cleaned.split():
        if word == "and":
            total, current = total + (current or 0), None
        elif word.isdigit() or word in _SMALL:
            value = int(word) if word.isdigit() else _SMALL[word]
            current = value if current in (None, 1) and word not in ("a", "an") or current is None else current + value
        elif word == "hundred":
            current = (current or 1) * 100
        elif word in _PARTS:
            current = (1 if current is None else current) / _PARTS[word]
        else:
            return None
    return None if current is None and not total else total + (current or 0)


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
    """Finds printed pairs such as "0.008 in (0.20 mm)" and compares the two values."""
    found = find_readings(text)
    pairs = []
    for first, second in zip(found, found[1:], strict=False):
        if not _PAIR_GLUE.fullmatch(text[first.end:second.start]) or first.unit == second.unit:
            continue
        try:
            value = convert(first.value, first.unit, second.unit)
        except ValueError:
            continue
        if value:
            tolerance = _rounding(second.text)
            difference = max(0.0, abs(second.value - value) - tolerance)
            pairs.append(PairCheck(first, second, difference / abs(value)))
    return tuple(pairs)


def _rounding(text: str) -> float:
    """Half a unit in the last printed place: "3 psi" may be anything from 2.5 to 3.5."""
    match = re.match(r"\d*(?:[.,](\d+))?", text)
    return 0.5 * 10.0 ** -len(match[1] or "") if match else 0.0
