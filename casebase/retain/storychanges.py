"""A setting's change told in one breath: "from 3,350 down to 3,120", "eight inches back to one", "14 mm, it had been at eleven".

The unit is often said once or not at all; so numbers are read here with and without one, and two of them make a change
by the words around them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from casebase.retain.storyvalues import APPROACH, fits, standing
from casebase.trade.numbers import COUNTS, in_hundreds, number
from casebase.trade.readings import Reading, find_readings
from casebase.trade.worded import is_worded, worded

_WORDS = "|".join((*(word for word, value in COUNTS.items() if value and word not in ("a", "an")), "hundred", "thousand"))
_PART = r"(?:an? |one |three |five |seven |eleven |thirteen )?(?:half|quarters?|eighths?|sixteenths?)"
_NUMBER = re.compile(
    rf"(?<![\w.,/€£$])(?:\d{{1,2}}[, ]\d{{3}}|\d+ (?:and )?\d+/\d+|\d+/\d+|\d*[.,]\d+|\d+(?: and {_PART})?"
    rf"|{_PART}|(?:{_WORDS})(?:[ -](?:{_WORDS}))*(?:(?<=hundred) and (?:{_WORDS})(?:[ -](?:{_WORDS}))?)?(?: and {_PART})?)(?: (?:hundred|thousand)\b)?(?![\w/]|[.,]\d)", re.IGNORECASE)
_LEFT, _RIGHT = 6, 5  # words around a number that tell its role
_WORD = re.compile(r"[\w']+")
_FIGURE = "(?:one|two|three|four|five|six|seven|eight|nine)"
_POINT = re.compile(rf"\bpoint (?:nought |oh |zero )?{_FIGURE}(?:[ -]{_FIGURE})?\b", re.IGNORECASE)  # "point three"
# What a number without a unit follows, and what may follow it; "one" and "half" are other things elsewhere.
_BEFORE_BARE = re.compile(
    r"(?:^|\b(?:from|to|at|was|were|is|on|now|than|till|until|for|then|both|read|reads?|reading|doing|making|made|showed|only|opening|hit|said)|, (?:in|out|down|up)?|^(?:in|out|down|up),)"
    rf"[ ,]*{APPROACH}$", re.IGNORECASE)
_NOUN = re.compile(r"(?:-| (?!(?:and|but|for|which|as|with|so|by|on|before|after|again|now|then|instead|because|where|like|open|out|in|below|till|until|when|"
                   r"to|from|the|over|either|each|this|that|is|at|while|though|or|off|back|up|down|using|it|i|he|she|they|flat|if|not|of slack|under|just)\b)[^\W\d])", re.IGNORECASE)
# From these words between two numbers the second is where the setting was left.
_TO = re.compile(
    rf"(?! ?(?:-|or|and)\b)[^.;,\d]{{0,45}}?[, ]+(?:(?:(?:back|up|down|doon|in|out|oot|over|round|on) )*(?:to|tae)|until|till(?: there (?:was|wasn't|were))?(?: but)?)\s+{APPROACH}$", re.IGNORECASE)
_CLAUSE = re.compile(r"\b(?:and|so|but|then|which|when|i|he|she|they|it|that)\b|[;:]", re.IGNORECASE)
# The other way round: "14 psi from about six", "14 mm, it had been at eleven", "fifty to one instead of seventy".
_BACK = re.compile(
    rf"[^.;\d]{{0,25}}?[, ]+(?:instead of|(?:up |down )?from(?: this)?|(?:(?:and|but) )?(?:it|they|that|there|where it|which|before)? ?(?:had been|was before|were before|before(?: it)? was|before)(?: set)?(?: at)?)"
    rf"\s+{APPROACH}$", re.IGNORECASE)
_BY = re.compile(r"\b(?:by|another|out by|in by)\s+(?:about |around |just )?(?:an? )?$", re.IGNORECASE)
_ON = re.compile(r" (?:down |up |back )?(?:to|until|till)\b", re.IGNORECASE)
_DIRECTION = re.compile(r"\b(?:up|down|back)\b", re.IGNORECASE)
# A tale in two clauses: "it was doing 3,400 flat out, so I brought it down to 3,100".
_STOOD = re.compile(r"\b(?:hanging|proud|slack|was|were|been|stood|standing|sat|sitting|doing|making|made|showed|read|reading|at|found(?: it)?|had|come|measured|idling|had only|opening)\b[^,;.]{0,22}$", re.IGNORECASE)
_MOVED = re.compile(
    rf"\b(?:set|opened|closed|turned|screwed|backed|wound|adjusted|brought|raised|lowered|bent|moved|went|took|eased|leaned|richened|increased|reduced|"
    rf"dropped|cut|put|got|made|changed|cranked|gave|squeezed|shut|tightened|slackened|regapped|gapped|lifted|pulled|trimmed|steps?|stepped|reset|wind|turn|take)\b"
    rf"[^.;]{{0,40}}?(?:\b(?:to|at|on|till|until|for|till there (?:was|wasn't but))\s+{APPROACH}|\b(?:it|them|both|was) )$|\bnow (?:at|on) {APPROACH}$", re.IGNORECASE)
_HUNDREDS = range(8, 61)  # of revolutions
_POINTED = re.compile(r"[1-9]\d?\.\d{3}")
_LIMITS = {"": (0, 9), "turn": (0, 6), "rpm": (800, 16000), ":1": (10, 120), "psi": (2, 5000), "bar": (2, 5000), "N.m": (2, 150), "mm": (0, 160), "in": (0, 160), "thou": (0, 160)}

_PAID = re.compile(r"(?:\b(?:pounds?|quid|dollars?|euros?|bucks)|[£$€]\d+[.,]?) $", re.IGNORECASE)  # "nine pounds eighty"
_THOUSANDS = re.compile(r"[1-9]\d?,\d{3}")
_ITSELF = re.compile(r"\b(?:came|comes|fell|fall|rose|climbed|crept|drifted|wandered|swung|swinging|varied|gauge|needle|revs) [^,;.]*$", re.IGNORECASE)
_LARGE = ("rpm", "psi")  # in which a comma before three digits parts thousands
# Where a setting ends that is told by a look and no number: "from a millimetre low up to level with the floor".
_PLAINLY = re.compile(r"[^.;,\d]{0,25}?,? ?\b(?:to|till|until) (?P<words>flush|level|nothing|none|nil|next to nothing|full|just \w+)\b", re.IGNORECASE)


class Change(NamedTuple):
    """A setting as found and as left, in the words of the text, and where they stand in it."""

    before: str
    after: str
    start: int
    end: int


def quantities(text: str, unit: str) -> list[Reading]:
    """The quantities in a text that a setting told in `unit` may have, and the bare numbers that may be such, in order."""
    every = [_whole(part, text) for reading in find_readings(text) for part in _ends(reading)]
    low, high = _LIMITS.get(unit, (0.0, float("inf")))
    found = [reading for reading in every if fits(reading.unit, unit)]
    for match in _NUMBER.finditer(text):
        start, end = match.span()
        if any(other.start < end and start < other.end for other in every):
            continue
        value = _value(match.group(), unit)
        if value is None or not low < value <= high or _NOUN.match(text[end:]) or not _BEFORE_BARE.search(text[:start]):
            continue
        found.append(Reading(value, "", match.group(), None, start, end))
    return standing(sorted(found, key=lambda reading: reading.start), text)


def numbers_in(text: str, unit: str) -> list[Reading]:
    """The quantities that a setting told in `unit` may have, every bare number of a fitting size, and words that stand for a value, in order; as
    corrected. A setting without a unit has a place ("the second hole")."""
    every = [_whole(part, text) for reading in find_readings(text) for part in _ends(reading)]
    low, high = _LIMITS.get(unit, (0.0, float("inf")))
    found = [reading for reading in every if fits(reading.unit, unit)]
    found += [reading for reading in worded(text, unit) if not overlaps(reading.start, reading.end, ((other.start, other.end) for other in every))]
    for pattern in (_POINT, _NUMBER):
        for match in pattern.finditer(text):
            start, end = match.span()
            value = None if overlaps(start, end, ((other.start, other.end) for other in (*every, *found))) else _spoken(match.group(), unit)
            if value is not None and low < value <= high and not _PAID.search(text[:start]) and (unit or _BEFORE_BARE.search(text[:start])):
                found.append(Reading(value, "", match.group(), None, start, end))
    counts = [reading for reading in found if is_counted(text, reading)]  # "actually one plug was cracked" corrects nothing
    stand = standing(sorted((reading for reading in found if reading not in counts), key=lambda reading: reading.start), text)
    return sorted([*stand, *counts], key=lambda reading: reading.start)


def _value(words: str, unit: str) -> float | None:
    """The number of some words; in large units a comma parts thousands."""
    return number(words.replace(",", "") if unit in _LARGE or _THOUSANDS.fullmatch(words) else words)


def _spoken(words: str, unit: str) -> float | None:
    """The number of some words; a speed may be told in hundreds ("thirty-six") or with a point that parts thousands ("2.800")."""
    if unit == "rpm" and _POINTED.fullmatch(words):
        return float(words.replace(".", ""))
    hundreds = in_hundreds(words) if unit in _LARGE else None
    value = _value(words, unit) if hundreds is None else hundreds
    return 100 * value if unit == "rpm" and value is not None and value in _HUNDREDS and not words[0].isdigit() else value


def window(text: str, found: Sequence[Reading], place: int) -> str:
    """The words around one of the numbers `found`, that number masked and the others alike: what tells its role."""
    here = found[place]
    left, right = text[: here.start], text[here.end:]
    for other in reversed(found):
        if other.end <= here.start:
            left = f"{left[: other.start]} 0 {left[other.end:]}"
        elif other.start >= here.end:
            right = f"{right[: other.start - here.end]} 0 {right[other.end - here.end:]}"
    return " ".join((*_WORD.findall(left)[-_LEFT:], "vvv", *_WORD.findall(right)[:_RIGHT]))


def is_counted(text: str, reading: Reading) -> bool:
    """Whether a bare number counts something else: "three pulls"."""
    return not reading.unit and bool(_NOUN.match(text[reading.end:]))


def follows_a_cue(text: str, reading: Reading) -> bool:
    """Whether a word stands before a number that a value may follow: "at twelve"."""
    return bool(_BEFORE_BARE.search(text[: reading.start]))


def _ends(reading: Reading) -> Iterator[Reading]:
    """Both ends of "3,350 to 3,120 rpm", each by itself."""
    link = re.search(r"\s*(?:-|–|\bto\b|\bor\b)\s*", reading.text)
    if reading.high is None or link is None:
        yield reading
        return
    unit = re.search(r" ?[^\W\d]+$", reading.text) if _THOUSANDS.fullmatch(reading.text[: link.start()]) else None  # "2,600" alone would be two point six
    yield Reading(reading.value, reading.unit, reading.text[: link.start()] + (unit.group() if unit else ""), None, reading.start, reading.start + link.start())
    yield Reading(reading.high, reading.unit, reading.text[link.end():], None, reading.start + link.end(), reading.end)


def _whole(reading: Reading, text: str) -> Reading:
    """ "One turn and an eighth", said as the end of a range."""
    part = re.match(rf" and (?P<part>{_PART})\b", text[reading.end:], re.IGNORECASE) if reading.unit in ("turn", "in") else None
    value = number(part["part"]) if part else None
    if part is None or value is None:
        return reading
    end = reading.end + part.end()
    return reading._replace(value=reading.value + value, text=text[reading.start: end], end=end)


def changes(text: str, unit: str, *, told: bool = False) -> list[Change]:
    """The changes told in a text of a setting in `unit`; `told` is True where a number alone is known to be of it."""
    found = quantities(text, unit)
    pairs: list[Change] = []
    number_ = 0
    while number_ < len(found):
        first, following = found[number_], found[number_ + 1: number_ + 2]
        change = _change(text, first, following[0], known=told or unit == "rpm") if following else None
        number_ += 2 if change else 1
        plainly = None if change else _PLAINLY.match(text[first.end:])
        if plainly and (first.unit or told) and not _BY.search(text[: first.start]):
            change = Change(first.text.strip(), plainly["words"], first.start, first.end + plainly.end())
        if change:
            pairs.append(change)
    return pairs


def _change(text: str, first: Reading, second: Reading, *, known: bool) -> Change | None:
    lead, between = text[: first.start], text[first.end: second.start]
    away = bool(re.search(rf"\b(?:from|fr?ae) {APPROACH}$", lead, re.IGNORECASE))
    known = known or bool(first.unit or second.unit)
    if _BY.search(lead) and not _STOOD.search(lead):
        return None
    if _TO.fullmatch(between) and not _CLAUSE.search(between) and (away or known or _DIRECTION.search(between)):
        if not away and re.search(rf"\b(?:to|till|until) {APPROACH}$", lead, re.IGNORECASE):
            return None  # "set it to one, then to two": two turns of it
        return Change(first.text.strip(), second.text.strip(), first.start, second.end)
    if _BACK.fullmatch(between) and known and not away and not _ON.match(text[second.end:]):
        return Change(second.text.strip(), first.text.strip(), first.start, second.end)
    if known and _STOOD.search(lead) and _MOVED.search(between) and not _MOVED.search(lead[-60:]) and len(between) < 90:
        return Change(first.text.strip(), second.text.strip(), first.start, second.end)
    return None


# A lone value is where the setting was left, unless these words make it what was found, what is wanted, or by how much it was moved.
_FOUND = re.compile(r"\b(?:was|were|(?:it|they|that|which|belt|chain|cable) gave(?! (?:it|them|her|him|me|the)\b)|been|stood|standing|sat|sitting|read|showed|measured|found(?: it| them)?|from|hanging|had|gone|idling|doing|making)\b[^,;.]{0,25}$|\b(?:tach\w*|gauge|meter|feelers?)\b[^;.]{0,15}$", re.IGNORECASE)
_WANTED = re.compile(r"\b(?:should(?:'ve)?(?: be| have been)?|ought to be|supposed to be|wants?|needs?|not|n't|spec(?:ified)?(?: is)?|book (?:says|wants)|maker (?:says|wants)|under|feeler)\b[^,;.]{0,12}$", re.IGNORECASE)
_PUT = re.compile(rf"\b(?:to|at|on|now|is|was|set|from)\s+{APPROACH}(?:an? )?$", re.IGNORECASE)
_RUNS = re.compile(r"\b(?:idles|runs|ran|idled|running|purrs)\b[^,;.]*$", re.IGNORECASE)
_OF_SLACK = re.compile(r" (?:of )?(?:slack|play|give|free|off the)\b", re.IGNORECASE)
_GAP = re.compile(r"\b(?:gap|on|in|up|done|with),? (?:of |with )?(?:about |around )?$", re.IGNORECASE)
_UNTIL = re.compile(r"\b(?:till|until)\b[^,;.]*$", re.IGNORECASE)
_GIVEN = re.compile(r"\b(?:new|(?<!\bit )(?<!\bthey )(?<!\bthat )(?<!\bwhich )(?<!belt )(?<!chain )(?<!cable )gave|give|put|fitted|set|left|leave|took|take|torqued|gapped|got|to|till|until|now)\b[^.;]{0,60}$", re.IGNORECASE)
# "took up the drive cable first, about 8 mm": how much of it, unless it goes on to where it was left.
_TAKEN_UP = re.compile(
    r"\b(?:took|taken|take|taking) up (?:(?:it|them|(?:the |his |her |its |that |my )?(?:\w+ )?(?:cable|wire|belt|chain|adjuster|nut|idler|tensioner|rod|linkage|lever)s?)(?: (?:at|on) the \w+)?,? )?"
    rf"(?:(?:first|then|next|again|too|by|maybe|another|only),? )*{APPROACH}$", re.IGNORECASE)
_LEFT_AT = re.compile(rf" (?:of )?(?:free )?(?:slack|slop|play|sag|give|deflection|left|free)\b| (?:down |back )?to (?:{_PART}|{_NUMBER.pattern}|none|nothing|next to nothing)", re.IGNORECASE)


def lone(text: str, value: Reading) -> str:
    """Whether a value that stands alone is "before" or "after"; "" where it is neither."""
    lead = text[: value.start]
    if _WANTED.search(lead) or (_BY.search(lead) and value.unit in ("turn", "")):
        return ""
    if _RUNS.search(lead):
        return ""  # "idles like a clock at 2,800" tells how it goes now
    if is_taken_up(text, value) or (value.unit == "turn" and not _PUT.search(lead)):
        return ""  # "took up the cable, 8 mm", "backed it off a turn" is by how much
    found, given = _FOUND.search(lead), _GIVEN.search(lead)
    if found and not (given and given.start() > found.start()) and not _UNTIL.search(lead):
        return "before"
    return "after" if given or _OF_SLACK.match(text[value.end:]) or _GAP.search(lead) else ""


# By how much something was moved, and not where to: "took up 8 mm", "out by a quarter turn", "half an inch shorter".
_MOVED_BY = re.compile(
    rf"\b(?:by|another|further|up|down|out|off|over|back|in|along|some,?|a bit,?|took|taken|takes?|opened|closed|shortened|lengthened|moved|turned|backed|raised|lowered|lifted|wound|let|eased|"
    rf"nudged|screwed|tightened|slackened)\s+{APPROACH}(?:the |an? |by )?$", re.IGNORECASE)
_SHIFTED = re.compile(r" ?(?:out of (?:it|the|that|them|him|her)|off (?:it|the)|shorter|longer|higher|lower|further|tighter|looser|richer|leaner|(?:anti-?)?clockwise)\b", re.IGNORECASE)
_TURNED_BY = re.compile(r"\b(?:turn(?:ed)?|gave|give|open(?:ed)?|screw(?:ed)?|back(?:ed)?|wound)\b(?! (?:was|is))(?:(?!\b(?:to|at|now|was|is|on|from)\b)[^,;.\d]){0,25}$", re.IGNORECASE)
_GIVES_IN = re.compile(rf"\b(?:gives|gave|goes|went|sinks|sank|pressed|pushed) in {APPROACH}$", re.IGNORECASE)  # a belt under the thumb
_GIVEN_IT = re.compile(rf"\b(?:gave|give) (?:it|them|her|him) {APPROACH}$", re.IGNORECASE)
_LEFT_ALONE = re.compile(
    r"\b(?:(?:left|leave) (?:it|that|them|those|him|her|well)? ?(?:alone|be|as (?:it |they )?(?:was|were|is|are))|let (?:it|that|them|those|him|her) be|were let alone|stay(?:s|ed)? put|stood put|untouched|"
    r"(?:was|were)(?:n't| not) touched|(?:i|we) (?:didn'?t|did not|never|don'?t|do not|haven'?t|hadn'?t) (?:touch|move|alter|change|adjust|disturb)\w*|no (?:need|cause|reason|call) to (?:touch|move|alter|change|adjust)|"
    r"(?:so|and|which|that) i left (?:it|that|them|those)\b(?! (?:at|on|to|in|so|there)\b)|(?:where|so|there) (?:it|that|they) stays?|kept my (?:fingers|hands) off)\b", re.IGNORECASE)
_LEFT_WHERE = re.compile(r"\w (?:i|we) left (?:at|on) [^.;]*$", re.IGNORECASE)  # "the low screw I left at one turn"
_NEVER_BY = (":1", "psi", "bar", "N.m")  # of these the whole is told


def is_amount(text: str, value: Reading, unit: str) -> bool:
    """Whether a number tells by how much a setting told in `unit` was moved."""
    lead, rest = text[: value.start], text[value.end:]
    if unit in _NEVER_BY or is_worded(value) or (_OF_SLACK.match(rest) and not re.search(r"\b(?:up|out|off|took|taken|take) [^,;.]{0,12}$", lead, re.IGNORECASE)):
        return False
    if _GIVES_IN.search(lead) or (value.unit == "turn" and value.value >= 1 and _GIVEN_IT.search(lead)):
        return False  # "gave it one and a quarter turns" is where it was put
    return bool(_MOVED_BY.search(lead) or _SHIFTED.match(rest) or is_taken_up(text, value) or (value.unit == "turn" and _TURNED_BY.search(lead)))


def is_left_alone(text: str, value: Reading, following: int) -> bool:
    """Whether what is told of a number, up to the `following` one, is that it was left as it was: "ten psi like the sidewall says, so they stayed put"."""
    return bool(_LEFT_ALONE.search(text[value.end: following]) or _LEFT_WHERE.search(text[: value.start]))


def is_taken_up(text: str, value: Reading) -> bool:
    """Whether a number tells how much of a cable or belt was taken up, and not how much slack was left."""
    return fits(value.unit, "mm") and bool(_TAKEN_UP.search(text[: value.start])) and not _LEFT_AT.match(text[value.end:])


def by_itself(text: str, change: Change) -> bool:
    """Whether something changed that nobody set: "the speed came down from 14,200 to 12,800"."""
    return bool(_ITSELF.search(text[: change.start]))


def overlaps(start: int, end: int, taken: Iterable[tuple[int, int]]) -> bool:
    """Whether a stretch shares a place with one of those that are taken."""
    return any(first < end and start < last for first, last in taken)
