"""Numbers as repairers write and say them: "1 1/8", ".008", "one and an eighth", "thirty-four fifty"."""

from __future__ import annotations

import re
from collections.abc import Sequence

COUNTS = {word: value for value, word in enumerate(
    ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen", "twenty"])}
COUNTS |= {word: 10 * value for value, word in enumerate(["thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"], 3)}
COUNTS |= {"nought": 0, "naught": 0, "a": 1, "an": 1}
MANY = {"hundred": 100, "thousand": 1000}
FIGURES = {word: str(value) for word, value in COUNTS.items() if value < 10 and word not in ("a", "an")} | {"oh": "0"}
PARTS = {"half": 2, "halves": 2, "third": 3, "thirds": 3, "quarter": 4, "quarters": 4, "fourth": 4, "eighth": 8,
         "eighths": 8, "sixteenth": 16, "sixteenths": 16}
ANOTHERS = {"another": 1.0} | dict.fromkeys(("couple", "a couple", "couple of", "a couple of"), 2.0)

_NO_COUNT = frozenset(("a", "an", *ANOTHERS))


def number(text: str) -> float | None:
    """A number as typed or said: `7/8`, `1 1/8`, `.008`, `0,2`, "one and an eighth", "seven eighths", "one twenty".

    None where the text is no number, or longer than any that a person writes.
    """
    cleaned = re.sub(r"(?<=\w) an?$", "", " ".join(text.lower().replace("-", " ").split()))  # "half a (turn)"
    if len(cleaned) > 80:
        return None
    if cleaned in ANOTHERS:
        return ANOTHERS[cleaned]
    mixed = re.fullmatch(r"(?:(\d+) (?:and )?)?(\d+)/(\d+)", cleaned)
    if mixed:
        return None if int(mixed[3]) == 0 else int(mixed[1] or 0) + int(mixed[2]) / int(mixed[3])
    if re.fullmatch(r"\d*[.,]?\d+|\d{1,3} \d{3}", cleaned):
        return float(cleaned.replace(",", ".").replace(" ", ""))
    many = re.fullmatch(r"(\d+[.,]\d{1,2}) (hundred|thousand)", cleaned)  # "3.4 thousand"
    if many:
        return float(many[1].replace(",", ".")) * MANY[many[2]]
    return _said(cleaned.split())


def in_hundreds(text: str) -> float | None:
    """A number told in hundreds and tens, "thirty-four fifty" (3,450); None where the text is told otherwise."""
    said = pair(text)
    return None if said is None else 100.0 * said[0] + said[1]


def _said(words: Sequence[str]) -> float | None:
    """A number in words; `total` is what is complete, `current` the part being said."""
    total = 0.0
    current: float | None = None
    before = ""
    for place, word in enumerate(words):
        if word == "point":  # "twelve point seven"
            *said, last = words[place + 1:] or ("",)
            figures = "".join(FIGURES.get(figure, "?") for figure in (said if last in MANY else (*said, last)))
            return (total + (current or 0) + float(f".{figures}")) * MANY.get(last, 1) if figures.isdecimal() else None
        if word == "and":
            total, current = total + (current or 0), None
        elif word.isdecimal() or word in COUNTS:
            value = int(word) if word.isdecimal() else COUNTS[word]
            current = value if current is None or before in ("a", "an") else _joined(current, value)
            if current is None:
                return None
        elif word in MANY and before in PARTS:  # "three and a half thousand"
            total, current = (total + (current or 0)) * MANY[word], None
        elif word == "hundred":
            current = (current or 1) * 100
        elif word == "thousand":
            total, current = total + (current or 1) * 1000, None
        elif word in PARTS:
            current = (1 if current is None else current) / PARTS[word]
        else:
            return None
        before = word
    return None if current is None and not total else total + (current or 0)


def _joined(said: float, value: int) -> float | None:
    """Two numbers in a row as one: "twenty five", "hundred ten", "one twenty" (120). None for "three four"."""
    if said in range(100, 10_000, 100) or (said in range(20, 100, 10) and value < 10):
        return said + value
    if said in range(1, 10) and 10 <= value < 100:
        return said * 100 + value
    return said + value if said in range(120, 1000, 10) and value < 10 else None


def pair(words: str) -> tuple[int, int] | None:
    """Two numbers in a row that may be hundreds and tens, or pounds and pence: "thirty-four fifty". None for a range as it is said, "thirty forty"."""
    parts = words.lower().replace("-", " ").split()
    for place in range(1, len(parts)):
        first, second = (number(" ".join(part)) for part in (parts[:place], parts[place:]))
        if first is not None and second is not None and first == int(first) and 1 <= first < 100 and 10 <= second < 100:
            return None if parts[0] in _NO_COUNT or second - first in (5, 10) else (int(first), int(second))
    return None
