"""Quantities as repairers write and say them, conversions, and printed pairs held against each other."""

from __future__ import annotations

import math
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.trade.readings import (
    _PINT_NAMES,
    _UNIT_WORDS,
    UNITS,
    Reading,
    check_pairs,
    convert,
    find_readings,
    number,
)


def read(text: str) -> list[tuple[float, str]]:
    """Value and unit of every reading; values are rounded, ranges are told apart by `ranges`."""
    return [(round(reading.value, 9), reading.unit) for reading in find_readings(text)]


# --- exact definitions ----------------------------------------------------------------------------------------------

IN = 25.4  # 1 in = 25.4 mm exactly (international yard and pound agreement, 1959)
LBF = 4.4482216152605  # 1 lbf in N exactly: 0.45359237 kg (1959) x 9.80665 m/s² (standard gravity, CGPM 1901)
PSI = LBF / (IN / 1000) ** 2 / 1000  # kPa

CONVERSIONS = [
    (1, "in", "mm", 25.4),
    (1, "thou", "mm", 0.0254),
    (1, "in", "thou", 1000),
    (1, "ft", "in", 12),
    (1, "m", "mm", 1000),
    (1, "cm", "mm", 10),
    (1, "psi", "kPa", PSI),
    (1, "bar", "kPa", 100),
    (1, "bar", "psi", 100 / PSI),
    (1, "kgf/cm2", "kPa", 98.0665),  # 9.80665 N on 1 cm²
    (1, "kgf/cm2", "psi", 98.0665 / PSI),
    (1, "ft-lb", "N.m", LBF * 0.3048),
    (1, "in-lb", "N.m", LBF * 0.0254),
    (12, "in-lb", "ft-lb", 1),
    (1, "gal", "cc", 231 * IN**3 / 1000),  # the US gallon: 231 cubic inches
    (1, "gal", "oz", 128),
    (1, "gal", "pint", 8),
    (1, "l", "ml", 1000),
    (1, "ml", "cc", 1),
    (1, "hp", "kW", 550 * LBF * 0.3048 / 1000),  # 550 ft·lbf/s
    (1, "kohm", "ohm", 1000),
    (100, "degC", "degF", 212),
    (32, "degF", "degC", 0),
    (-40, "degC", "degF", -40),
    (1, "h", "min", 60),
    (1, "min", "s", 60),
    (1, "week", "day", 7),
    (12, "month", "year", 1),
]

# The same factors as published tables print them, to the digits printed there (NIST SP 811, appendix B.8).
PRINTED_FACTORS = [
    ("psi", "kPa", 6.894757, 5e-7),
    ("kgf/cm2", "psi", 14.2233, 5e-5),
    ("bar", "psi", 14.5038, 5e-5),
    ("ft-lb", "N.m", 1.355818, 5e-7),
    ("in-lb", "N.m", 0.1129848, 5e-8),
]


@pytest.mark.parametrize(("value", "unit", "to", "expected"), CONVERSIONS)
def test_conversions(value: float, unit: str, to: str, expected: float) -> None:
    assert convert(value, unit, to) == pytest.approx(expected, rel=1e-12, abs=1e-9)
    assert convert(expected, to, unit) == pytest.approx(value, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(("unit", "to", "factor", "tolerance"), PRINTED_FACTORS)
def test_printed_factors(unit: str, to: str, factor: float, tolerance: float) -> None:
    assert convert(1, unit, to) == pytest.approx(factor, abs=tolerance)


# Gaps of plugs, points, coils and valves in inches, by 1 in = 25.4 mm.
@pytest.mark.parametrize(
    ("inches", "millimetres"),
    [
        (".002", 0.0508), (".003", 0.0762), (".004", 0.1016), (".005", 0.127), (".006", 0.1524), (".008", 0.2032),
        (".010", 0.254), (".011", 0.2794), (".012", 0.3048), (".014", 0.3556), (".015", 0.381), (".020", 0.508),
        (".023", 0.5842), (".025", 0.635), (".028", 0.7112), (".030", 0.762), (".035", 0.889),
    ],
)  # fmt: skip
def test_gaps_in_inches_and_millimetres(inches: str, millimetres: float) -> None:
    (reading,) = find_readings(f"{inches} in")
    assert reading.to("mm") == pytest.approx(millimetres, abs=1e-9)
    assert find_readings(f"{float(inches) * 1000:g} thou")[0].to("mm") == pytest.approx(millimetres, abs=1e-9)


@pytest.mark.parametrize(
    ("unit", "to"),
    [("psi", "mm"), ("turn", "%"), ("%", "turn"), ("turn", "rpm"), ("pull", "s"), (":1", "%"), ("ft-lb", "psi"),
     ("furlong", "mm"), ("mm", "furlong"), ("", "mm")],
)  # fmt: skip
def test_what_cannot_be_converted(unit: str, to: str) -> None:
    with pytest.raises(ValueError, match=r"is not a unit that can be converted|they measure different things"):
        convert(1, unit, to)


@pytest.mark.parametrize("unit", UNITS)
def test_every_unit_is_itself(unit: str) -> None:
    assert convert(7.5, unit, unit) == 7.5


def test_every_unit_to_convert_is_one_that_is_read() -> None:
    assert set(_PINT_NAMES) <= set(UNITS)
    for unit in _PINT_NAMES:
        assert convert(1, unit, "in" if unit == "mm" else unit) > 0


# --- numbers --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("7", 7), ("007", 7), (".008", 0.008), ("0,2", 0.2), ("12.5", 12.5),
        ("7/8", 0.875), ("1 1/8", 1.125), ("1-1/8", 1.125), ("1 and 1/8", 1.125), ("1 and a half", 1.5),
        ("2 and three quarters", 2.75), ("one", 1), ("Twenty", 20), ("twenty-five", 25), ("half", 0.5),
        ("a half", 0.5), ("half a", 0.5), ("half an", 0.5), ("a quarter", 0.25), ("an eighth", 0.125),
        ("seven eighths", 0.875), ("three quarters", 0.75), ("two thirds", 2 / 3), ("one and an eighth", 1.125),
        ("one and one eighth", 1.125), ("one and a half", 1.5), ("two and three quarters", 2.75),
        ("a hundred", 100), ("hundred", 100), ("one hundred and ten", 110), ("a hundred ten", 110),
        ("two hundred and fifty", 250), ("one ten", 110), ("one twenty", 120), ("one twenty five", 125),
        ("two fifty", 250), ("twenty eight hundred", 2800), ("three thousand", 3000), ("a thousand", 1000),
        ("two thousand eight hundred", 2800), ("12 thousand", 12000), ("12 hundred", 1200), ("2 800", 2800),
        ("zero", 0), ("a three quarters", 0.75), ("three and a half thousand", 3500), ("two and a half hundred", 250), ("2 and a half thousand", 2500), ("2.9 thousand", 2900), ("3.25 thousand", 3250), ("three point four thousand", 3400),
    ],
)  # fmt: skip
def test_numbers(text: str, expected: float) -> None:
    assert number(text) == pytest.approx(expected)


@pytest.mark.parametrize(
    "text",
    ["", "and", "x", "1/0", "3 4 5", "thirty forty", "thirty-four fifty", "three four", "one two", "half three", "twenty fifteen", "ten five", "1..2", "²",
     "1/" + "9" * 5000, "9" * 5000, "nine " * 40],
)  # fmt: skip
def test_no_numbers(text: str) -> None:
    assert number(text) is None


@given(st.text(alphabet="0123456789/.,- ²³٣½abdefhinorstuvwxy", max_size=100))
def test_number_never_raises(text: str) -> None:
    value = number(text)
    assert value is None or math.isfinite(value)


# --- readings of one value ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        # as said at the bench
        ("6 thou", 6, "thou"), ("fifteen thou", 15, "thou"), ("10 thousandths", 10, "thou"),
        ("110 pounds", 110, "psi"), ("110 lbs", 110, "psi"), ("110 lb", 110, "psi"), ("a hundred and ten psi", 110, "psi"),
        ("one-twenty psi", 120, "psi"), ("90 p.s.i.", 90, "psi"), ("110 pounds of pressure", 110, "psi"),
        ("one and an eighth turns", 1.125, "turn"), ("7/8 turn", 0.875, "turn"), ("half a turn", 0.5, "turn"),
        ("a turn and a half", 1.5, "turn"), ("turn and a quarter", 1.25, "turn"), ("a turn", 1, "turn"),
        ("two turns and a half", 2.5, "turn"), ("one turn and three eighths", 1.375, "turn"),
        ("1 turn and 1/8", 1.125, "turn"), ("1 1/8 turns", 1.125, "turn"), ("1-1/8 turns", 1.125, "turn"),
        ("1 and a half turns", 1.5, "turn"), ("1 and 1/2 turns", 1.5, "turn"), ("one-and-a-half turns", 1.5, "turn"),
        ("quarter turn", 0.25, "turn"), ("quarter of a turn", 0.25, "turn"), ("an eighth of a turn", 0.125, "turn"),
        ("an eighth turn", 0.125, "turn"), ("third of a turn", 1 / 3, "turn"), ("three-quarter turn", 0.75, "turn"),
        ("seven eighths of a turn", 0.875, "turn"), ("1/2 a turn", 0.5, "turn"), ("1 1/2 a turn", 1.5, "turn"),
        ("half-turn", 0.5, "turn"),
        # decimals in words
        ("nought point two mm", 0.2, "mm"), ("twelve point seven volts", 12.7, "V"), ("one point four bar", 1.4, "bar"),
        ("zero point oh five mm", 0.05, "mm"), ("point three of a millimetre", 0.3, "mm"), ("point oh two mm", 0.02, "mm"),
        # as said in a hurry
        ("thirty nine hundred revs", 3900, "rpm"), ("seventeen fifty rpm", 1750, "rpm"), ("thirty-two twenty-five rpm", 3225, "rpm"), ("twelve fifty psi", 1250, "psi"), ("three and a half thousand revs", 3500, "rpm"),
        ("3,500 a minute", 3500, "rpm"), ("3 500 a minute", 3500, "rpm"), ("thirty-five hundred per minute", 3500, "rpm"), ("four mil of slack", 4, "mm"), ("six hundred mil of oil", 600, "ml"),
        # fractions as one character
        ("½ turn", 0.5, "turn"), ("1½ turns", 1.5, "turn"), ("1 ½ turns", 1.5, "turn"), ("⅞ of a turn", 0.875, "turn"),
        ("2¾ turns", 2.75, "turn"), ("⅓ turn", 1 / 3, "turn"), ("⅜ in", 0.375, "in"),
        # commas: decimal where the unit is small, thousands where it is large
        ("0,2 mm", 0.2, "mm"), ("1,5 turns", 1.5, "turn"), ("0,125 mm", 0.125, "mm"), ("1,125 turns", 1.125, "turn"),
        ("2,800 rpm", 2800, "rpm"), ("12,500 rpm", 12500, "rpm"), ("3,000 psi", 3000, "psi"), ("2 800 rpm", 2800, "rpm"),
        ("2,5 bar", 2.5, "bar"), ("0,827 kPa", 0.827, "kPa"), ("three thousand rpm", 3000, "rpm"),
        # inches
        (".008 in", 0.008, "in"), ('0.008"', 0.008, "in"), ("0.008-inch", 0.008, "in"), ("10 in", 10, "in"),
        ("16 inch bar", 16, "in"), ("5/16 inch", 0.3125, "in"), ("10 in. long", 10, "in"), ("half inch", 0.5, "in"), ("an inch of slack", 1, "in"),
        ("an inch and a half of play", 1.5, "in"), ("a quart of oil", 1, "quart"), ("three kilowatt", 3, "kW"),
        # torque: never a length or a pressure
        ("20 ft-lb", 20, "ft-lb"), ("20 ft lbs", 20, "ft-lb"), ("20 ft. lbs", 20, "ft-lb"), ("20 lb-ft", 20, "ft-lb"),
        ("20 foot pounds", 20, "ft-lb"), ("20 lbf·ft", 20, "ft-lb"), ("180 in-lb", 180, "in-lb"),
        ("180 in. lbs", 180, "in-lb"), ("180 inch pounds", 180, "in-lb"), ("27 N·m", 27, "N.m"), ("27 Nm", 27, "N.m"),
        # capitals, signs, spaces
        ("3600 RPM", 3600, "rpm"), ("90psi", 90, "psi"), ("827 kPa", 827, "kPa"), ("12 V", 12, "V"), ("12.6V", 12.6, "V"),
        ("500 Ω", 500, "ohm"), ("500 \u2126", 500, "ohm"), ("500 ω", 500, "ohm"), ("3 kΩ", 3, "kohm"), ("3 KΩ", 3, "kohm"),
        ("0.2 kgf/cm²", 0.2, "kgf/cm2"), ("45 cm³", 45, "cc"), ("45\u00a0cc", 45, "cc"), ("45cc", 45, "cc"),
        ("90 °C", 90, "degC"), ("-5 degrees c", -5, "degC"), ("\u22125 °C", -5, "degC"), ("100%", 100, "%"),
        ("5 1/2 hp", 5.5, "hp"), ("5 horsepower", 5, "hp"),
        # time
        ("half an hour", 0.5, "h"), ("an hour", 1, "h"), ("an hour and a half", 1.5, "h"), ("1 hr", 1, "h"), ("ten minutes", 10, "min"),
        ("30 secs", 30, "s"), ("6-year-old", 6, "year"), ("six years old", 6, "year"), ("a year old", 1, "year"),
        ("10yo", 10, "year"), ("2 years and a half", 2.5, "year"), ("5 months with fuel", 5, "month"), ("a week", 1, "week"),
        ("twenty pulls", 20, "pull"), ("hour and a quarter", 1.25, "h"), ("hour and ten on the ignition", 70, "min"),
        ("a quarter of an hour", 0.25, "h"), ("another hour", 1, "h"), ("a couple of hours", 2, "h"), ("two full days", 2, "day"),
        # a word between, and units told by a noun
        ("a fresh litre of fuel", 1, "l"), ("a litre of new stuff", 1, "l"), ("a quart and a half", 1.5, "quart"), ("a pint of oil", 1, "pint"),
        ("one full turn", 1, "turn"), ("a hundred and fifty odd psi", 150, "psi"), ("8 horse", 8, "hp"), ("a couple of feet", 2, "ft"),
        ("20 yards", 20, "yd"), ("set that one to 0.12 mm", 0.12, "mm"), ("three thousand and sixty rpm", 3060, "rpm"),
        # oil mix
        ("50:1", 50, ":1"), ("mixed 40 to 1", 40, ":1"), ("32 : 1", 32, ":1"), ("100:1", 100, ":1"),
    ],
)  # fmt: skip
def test_one_reading(text: str, value: float, unit: str) -> None:
    for around in ("{}", "left it at {}", "({})", "{}, then more", "{}.\nIt ran"):
        ((got, got_unit),) = read(around.format(text))
        assert (got, got_unit) == (pytest.approx(value), unit)


@pytest.mark.parametrize(("unit", "word"), [(unit, word) for unit, words in _UNIT_WORDS.items() for word in words])
def test_every_way_to_write_a_unit(unit: str, word: str) -> None:
    for written in dict.fromkeys((word, word.lower(), word.capitalize(), word.upper())):
        assert read(f"about 2.5 {written}, I think") == [(2.5, unit)]


def test_a_part_of_a_unit_before_another_quantity_is_no_range() -> None:
    assert read("from an inch and a half to half an inch, and from a turn and a quarter to half a turn") == [(1.5, "in"), (0.5, "in"), (1.25, "turn"), (0.5, "turn")]


# --- ranges ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "low", "high", "unit", "words"),
    [
        ("5-8 psi", 5, 8, "psi", "5-8 psi"),
        ("5\u20138 psi", 5, 8, "psi", "5\u20138 psi"),
        ("5 - 8 psi", 5, 8, "psi", "5 - 8 psi"),
        ("5 to 8 psi", 5, 8, "psi", "5 to 8 psi"),
        ("five to eight psi", 5, 8, "psi", "five to eight psi"),
        ("holds between 5 and 8 psi", 5, 8, "psi", "5 and 8 psi"),
        ("between one and a half and two turns", 1.5, 2, "turn", "one and a half and two turns"),
        ("between a half and three quarters of a turn", 0.5, 0.75, "turn", "a half and three quarters of a turn"),
        ("three or four pulls", 3, 4, "pull", "three or four pulls"),
        ("0.020-0.025 in", 0.02, 0.025, "in", "0.020-0.025 in"),
        ("1-1 1/2 turns", 1, 1.5, "turn", "1-1 1/2 turns"),
        ("1½-2 turns", 1.5, 2, "turn", "1½-2 turns"),
        ("1/2-3/4 turn", 0.5, 0.75, "turn", "1/2-3/4 turn"),
        ("2,600-3,200 rpm", 2600, 3200, "rpm", "2,600-3,200 rpm"),
        ("10-14 thou", 10, 14, "thou", "10-14 thou"),
        ("0,15-0,25 mm", 0.15, 0.25, "mm", "0,15-0,25 mm"),
    ],
)
def test_ranges(text: str, low: float, high: float, unit: str, words: str) -> None:
    (reading,) = find_readings(text)
    assert (reading.value, reading.high, reading.unit, reading.text) == (low, high, unit, words)


def test_two_numbers_that_are_no_range() -> None:
    assert read("gaps of 5 and 8 thou") == [(8, "thou")]
    assert read("120 psi and then 90 psi") == [(120, "psi"), (90, "psi")]
    assert read("50:1 or 40:1") == [(50, ":1"), (40, ":1")]
    assert read("three, four pulls") == [(4, "pull")]


def test_how_readings_are_shown() -> None:
    assert str(find_readings("1 1/8 turns")[0]) == "1.125 turn"
    assert str(find_readings("5-8 psi")[0]) == "5\u20138 psi"


# --- what is no reading ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "", "7/8", "I start it once a day", "drips three a minute", "£600 a minute", "read 1750 a minute ago", "took me twenty thirty minutes", "thirty forty psi", "with the two-bar heater on", "in a two-horse trailer", "went for a pint", "40 dollars an hour", "it has 2 cylinders", "two in the morning", "came in 2 in the end", "3 in a row", "1 in 50",
        "2 in 1", "one in ten", "a bar of soap", "a pound of butter", "a foot in the door", "second gear", "first pull",
        "starts on the second pull", "starts on the third pull", "on the fourth day", "a second later", "wait a minute",
        "12:30", "1:50", "10/1", "26-014", "v8 engine", "m8 bolt", "1.2.3 psi", "1e5 psi", "no psi", "1/0 turn",
        "turns out fine", "it will not turn and then it did", "paid 40 pounds for it", "it cost me forty pounds",
        "weighs 12 pounds", "12 pounds of grass", "three pound twenty", "thirty if it's a day", "four pound thirty, paid", "three four pulls", "90 psidium", "5 inches²x",
        "will not turn and half the rope is gone", "mix 1:50 in", "L 1 H 1",
    ],
)  # fmt: skip
def test_no_readings(text: str) -> None:
    assert read(text) == []


# --- any text at all ------------------------------------------------------------------------------------------------

PIECES = st.sampled_from(
    ["1", "12", ".", ",", "/", "-", "\u2013", " ", " ", "½", "⅞", "a", "an", "and", "one", "half", "eighth", "three", "hundred",
     "thousand", "to", "or", "between", "of", "turn", "turns", "psi", "in", "mm", "Ω", "K", "ω", "ı", "ſ", "İ", "°c", ":", "1",
     "(", ")", "rpm", "pounds", "paid", "the", "\n", "²"]
)  # fmt: skip
ANY_TEXT = st.lists(PIECES, max_size=25).map("".join) | st.lists(PIECES, max_size=15).map(" ".join) | st.text(max_size=40)


@given(ANY_TEXT)
def test_readings_lie_in_the_text_in_order(text: str) -> None:
    found = find_readings(text)
    end = 0
    for reading in found:
        assert end <= reading.start < reading.end <= len(text)
        assert text[reading.start: reading.end] == reading.text
        assert reading.unit in UNITS
        assert math.isfinite(reading.value)
        assert reading.high is None or math.isfinite(reading.high)
        end = reading.end
    for pair in check_pairs(text):
        assert pair.error >= 0
        assert pair.explanation


# Single letters are no units in a text: "L 1 H 1" are two screws.
SPOKEN = {"in": "inch", "h": "hours", "s": "seconds", "m": "metres", "l": "litres", "A": "amps"}
PLAIN_UNITS = st.sampled_from([unit for unit in UNITS if unit != ":1"]).map(lambda unit: (unit, SPOKEN.get(unit, unit)))


@given(st.decimals(min_value=0, max_value=99999, places=3), PLAIN_UNITS)
def test_a_number_comes_back(value: float, unit: tuple[str, str]) -> None:
    name, word = unit
    for text in (f"{value} {word}", f"at {value} {word}, as found", f"{value}{word}"):
        (reading,) = find_readings(text)
        assert (reading.value, reading.high, reading.unit) == (float(value), None, name)


@given(st.integers(0, 12), st.sampled_from([2, 3, 4, 8, 16]), st.data())
def test_a_fraction_comes_back(whole: int, denominator: int, data: st.DataObject) -> None:
    numerator = data.draw(st.integers(1, denominator - 1))
    shown = f"{whole} {numerator}/{denominator}" if whole else f"{numerator}/{denominator}"
    (reading,) = find_readings(f"out {shown} turns")
    assert reading.value == pytest.approx(whole + numerator / denominator)
    assert reading.text == f"{shown} turns"


@given(st.floats(0.001, 9999), st.floats(0.001, 9999), st.sampled_from(["-", "\u2013", " to ", " - ", " or "]), PLAIN_UNITS)
def test_a_range_comes_back(low: float, high: float, glue: str, unit: tuple[str, str]) -> None:
    name, word = unit
    (reading,) = find_readings(f"{low:.3f}{glue}{high:.3f} {word}")
    assert (reading.value, reading.high, reading.unit) == (
        pytest.approx(low, abs=6e-4), pytest.approx(high, abs=6e-4), name)


TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
ONES = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve", "thirteen",
        "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen")  # fmt: skip


def in_words(value: int) -> str:
    """The English name of a whole number from 1 to 99,999."""
    if value >= 1000:
        rest = value % 1000
        return f"{in_words(value // 1000)} thousand" + (f" {in_words(rest)}" if rest else "")
    if value >= 100:
        return f"{ONES[value // 100 - 1]} hundred" + (f" and {in_words(value % 100)}" if value % 100 else "")
    if value >= 20:
        return TENS[value // 10 - 2] + (f"-{ONES[value % 10 - 1]}" if value % 10 else "")
    return ONES[value - 1]


@given(st.integers(1, 99_999))
def test_a_number_in_words_comes_back(value: int) -> None:
    assert number(in_words(value)) == value
    assert read(f"it pulled {in_words(value)} rpm") == [(value, "rpm")]


@pytest.mark.parametrize(
    "piece",
    ["one-", "one ", "half-", "1/2-", "5-", "5 to ", "1 and ", "a half and ", "a hundred and ", "between 1 and ",
     "1 turn and half ", "12 ", "1,", "½", " ", "1 in ", "paid 20 pounds ", "third pull "],
)  # fmt: skip
def test_no_text_keeps_it_busy(piece: str) -> None:
    text = (piece * 20_000)[:20_000]
    before = time.perf_counter()
    find_readings(text)
    check_pairs(text)
    assert time.perf_counter() - before < 5  # a tenth of that on a slow machine; the slip this guards took minutes


# --- printed pairs --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "verdict", "slip"),
    [
        # printed in public-domain manuals; opened and read
        (".004 in (0.10 mm)", "ok", ""),  # TM 10-4320-318-14
        (".028 in (0.07112 cm)", "ok", ""),  # TM 5-4310-360-14
        ("0.011-inch or 0.028 mm", "wrong", "×0.1"),  # TM 10-4320-307-24: should be 0.28 mm
        ("0.023-inch or 0.058 mm", "wrong", "×0.1"),  # TM 10-4320-307-24: should be 0.58 mm
        # made for this test
        ("0.2 kgf/cm² (3 psi)", "ok", ""),  # 2.845 psi, rounded
        ("0.3 bar (4.25 psi)", "ok", ""),  # 4.351 psi: 2 % off
        ("20 ft-lb (27 N·m)", "ok", ""),  # 27.12 N·m
        ("180 in-lb (20.5 N·m)", "ok", ""),  # 20.34 N·m: 0.8 % off
        (".02 in (0.60 mm)", "wrong", ""),  # 0.508 mm: 17 % off, and no power of ten explains it
        ("0.5 mm (0.2 in)", "wrong", "×10"),
        ("50 psi (34.5 kPa)", "wrong", "×0.1"),
        ("120 psi (827 kPa)", "ok", ""),
        ("120 psi (900 kPa)", "doubtful", ""),
        ("0.008 in (0.20 mm)", "ok", ""),
        ("0.25 mm / 0.010 in", "ok", ""),
        ("1 gal = 128 oz", "ok", ""),
        ("10 mm (3/8 in)", "ok", ""),  # 0.394 in, and a fraction is exact to half of its step
        ("10 mm (1/8 in)", "wrong", ""),
        ("1½ in (38 mm)", "ok", ""),
        ("1½ in (3.8 mm)", "wrong", "×0.1"),
        ("1,000 psi (6895 kPa)", "ok", ""),
        ("212 degrees f (100 degrees c)", "ok", ""),
    ],
)
def test_printed_pairs(text: str, verdict: str, slip: str) -> None:
    (pair,) = check_pairs(f"the book says {text}, no more")
    assert pair.verdict == verdict
    if verdict != "ok":
        assert ("the decimal point has slipped" in pair.explanation) is bool(slip)
        assert slip in pair.explanation


def test_the_explanation_names_both_values() -> None:
    (pair,) = check_pairs("0.011-inch or 0.028 mm")
    assert pair.explanation == "0.011-inch is 0.2794 mm, not 0.028 mm; the decimal point has slipped (×0.1)"


def test_both_ends_of_a_range_are_compared() -> None:
    good, bad = check_pairs("0.006-0.010 in (0.15-2.54 mm)")
    assert (good.verdict, bad.verdict) == ("ok", "wrong")
    assert bad.explanation == "0.010 in is 0.254 mm, not 2.54 mm; the decimal point has slipped (×10)"
    assert [pair.verdict for pair in check_pairs("5-8 psi (34-55 kPa)")] == ["ok", "ok"]
    assert [pair.verdict for pair in check_pairs("between 5 and 8 psi (34-550 kPa)")] == ["ok", "wrong"]


@pytest.mark.parametrize(
    "text",
    ["120 psi, 90 psi", "6 thou (ok)", "5 psi (2 turns)", "0 psi (5 kPa)", "1 turn (50%)", "120 psi then 827 kPa",
     "3 pulls (5 s)", "120 psi (120 psi)"],
)  # fmt: skip
def test_what_is_no_pair(text: str) -> None:
    assert check_pairs(text) == ()


@given(st.sampled_from([row for row in CONVERSIONS if not row[1].startswith("deg")]), st.floats(0.5, 500))
def test_a_right_pair_is_ok_and_a_slipped_one_is_not(row: tuple[float, str, str, float], value: float) -> None:
    _value, unit, to, _expected = row
    other = convert(value, unit, to)
    words = [SPOKEN.get(name, name) for name in (unit, to)]

    def verdict(second: float) -> str:
        pairs = check_pairs(f"{value:.9f} {words[0]} ({second:.9f} {words[1]})")
        return pairs[0].verdict if pairs else "not compared"

    assert verdict(other) == "ok"
    assert verdict(other * 10) == "wrong"
    assert verdict(other / 10) == "wrong"


def test_the_verdicts_begin_where_the_rule_says() -> None:
    def verdict(second: str) -> str:
        (pair,) = check_pairs(f"100 psi ({second} kPa)")  # 689.4757 kPa
        return pair.verdict

    # up to 3 % apart is rounding, up to 15 % doubtful (our own rule)
    assert [verdict(text) for text in ("710.1", "710.3", "792.8", "793.0")] == ["ok", "doubtful", "doubtful", "wrong"]


def test_reading_is_a_plain_value() -> None:
    assert Reading(2.0, "mm", "2 mm").to("cm") == pytest.approx(0.2)
