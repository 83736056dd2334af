"""The values of a setting in spoken notes: which number is where it was found, which where it was left.

Numbers of a setting are told with a unit, without one, or sentences before ("Float sat at eleven. ... Bent the tang, it's
fourteen now"). Each number that may be one is weighed for both roles by the words around it and by where it stands.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import NamedTuple

from casebase.retain.story import Sentence
from casebase.retain.storychanges import (
    changes,
    follows_a_cue,
    is_amount,
    is_counted,
    is_left_alone,
    lone,
    numbers_in,
    window,
)
from casebase.retain.storychoice import Choice, Valued
from casebase.retain.storycues import money_in
from casebase.retain.storyencoded import Encoded, ValueOdds
from casebase.retain.storylearned import BACK
from casebase.retrieve.examples import Role
from casebase.retrieve.heads import LEAST
from casebase.retrieve.logistic import Features, log_of
from casebase.trade.readings import Reading
from casebase.trade.worded import is_worded

TAKEN: Mapping[Role, float] = {"from": 0.4, "to": 0.4}  # from these chances on a number has the role
_PRICE = re.compile(r"\d+[.,]\d\d")
_ALL = re.compile(r"\b(?:both|each|all|same|them|either|every|pair|the two|likewise)\b", re.IGNORECASE)

# Settings of two of a kind, and the words for each: what is said of the one is not where the other was found.
_INLET, _EXHAUST, _LOW, _HIGH = (re.compile(words, re.IGNORECASE) for words in (r"\b(?:inlets?|intakes?)\b", r"\bexhausts?\b", r"\b(?:low|slow|L)\b", r"\b(?:high|main|H)\b"))
_PAIRS = {"inlet valve clearance": (_INLET, _EXHAUST), "exhaust valve clearance": (_EXHAUST, _INLET), "low-speed screw": (_LOW, _HIGH), "high-speed screw": (_HIGH, _LOW)}

Place = tuple[int, int, int]  # sentences ago, and characters there
_UNLIKELY = ValueOdds(LEAST, LEAST)


class Candidate(NamedTuple):
    """A number that may be a value of a setting: where it stands, among which others of its sentence, what the rules make of it, whether it tells by how
    much something was moved or what was left alone, and of which settings it is a value by the encoder."""

    reading: Reading
    back: int
    sentence: Sentence
    number: int
    beside: int
    rule: str
    is_amount: bool
    left_alone: bool
    chances: Mapping[str, float]
    encoded: Mapping[str, ValueOdds]

    @property
    def place(self) -> Place:
        return self.back, self.reading.start, self.reading.end


class SettingValues(NamedTuple):
    """A setting as found and as left, None for what is not told, and how likely there is any."""

    before: Candidate | None
    after: Candidate | None
    valued: Valued

    @property
    def is_same(self) -> bool:
        """Whether it was left where it was found."""
        return bool(self.before and self.after and self.before.reading.value == self.after.reading.value)


class About(NamedTuple):
    """A setting that a sentence, the one at `row` of the `parts` of the note, tells in the `stretch` of these characters; what the rules `read` as
    found and as left; what the encoder makes of the note. Numbers at the places `taken` are values of another setting already."""

    label: str
    row: int
    stretch: tuple[int, int]
    read: tuple[str, str]
    parts: Sequence[Sentence]
    encoded: Encoded
    taken: Collection[Place]


def values(choice: Choice, about: About) -> SettingValues:
    """The values of a setting, each where a number most likely is one."""
    unit = choice.vocabulary.terms["setting"][about.label].unit
    found = [one for back in range(min(BACK, about.row) + 1) for one in _candidates(choice, about, back, unit)]
    features = [_features(one, found, about) for one in found]
    chances = {role: [choice.chance(role, f"{about.label}\n{one.reading.text.strip()}\n{one.reading.value}\n{one.back}", of_one, about.parts[about.row])
                      for one, of_one in zip(found, features, strict=True)] for role in TAKEN}
    free = [bool(_ALL.search(one.sentence.text)) or not (one.place in about.taken or _is_of_the_other(one, about.label)) for one in found]
    after = _best(chances["to"], [is_free and one.back == 0 and not (one.left_alone and one.rule != "to") for is_free, one in zip(free, found, strict=True)])
    before = _best(chances["from"], [is_free and number != after for number, is_free in enumerate(free)])
    stood, left = chances["from"][before] if before is not None else 0.0, chances["to"][after] if after is not None else 0.0
    return SettingValues(found[before] if before is not None and stood >= TAKEN["from"] else None, found[after] if after is not None and left >= TAKEN["to"] else None,
                         Valued(stood, left, after is not None and found[after].is_amount, left < TAKEN["to"] and any(one.left_alone and one.back == 0 for one in found)))


def _is_of_the_other(one: Candidate, label: str) -> bool:
    """Whether a number of an earlier sentence is told of the other of a pair: of the inlet, where the exhaust is set."""
    if one.back == 0 or label not in _PAIRS:
        return False
    own, other = (max((match.end() for match in words.finditer(one.sentence.text[: one.reading.start])), default=-1) for words in _PAIRS[label])
    return other > own


def _best(chances: Sequence[float], allowed: Sequence[bool]) -> int | None:
    numbers = [number for number, may in enumerate(allowed) if may]
    return max(numbers, key=lambda number: chances[number], default=None)


def _candidates(choice: Choice, about: About, back: int, unit: str) -> Iterator[Candidate]:
    row = about.row - back
    sentence = about.parts[row]
    found = [reading for reading in numbers_in(sentence.text, unit) if not _is_price(reading, sentence.text, unit)]
    rules = _by_rule(sentence.text, unit, found)
    for number, reading in enumerate(found):
        rule = rules.get(reading.start, "")
        following = found[number + 1].start if number + 1 < len(found) else len(sentence.text)
        yield Candidate(reading, back, sentence, number, len(found), rule, is_amount(sentence.text, reading, unit), is_left_alone(sentence.text, reading, following),
                        choice.roles(window(sentence.text, found, number)), about.encoded.value(row, reading.start, reading.end))


def _is_price(reading: Reading, text: str, unit: str) -> bool:
    """Whether a bare number is what a part cost: "a new spark plug, 3.50"."""
    return unit != "turn" and reading.value >= 1 and bool(_PRICE.fullmatch(reading.text)) and str(money_in(text)) == reading.text.replace(",", ".")


def _by_rule(text: str, unit: str, found: Sequence[Reading]) -> dict[int, str]:
    """What known phrases make of the numbers, by where they start: "from", "to"; "stood", "left" for those that stand alone."""
    told: dict[int, str] = {}
    for change in changes(text, unit, told=True):
        for reading in found:
            if change.start <= reading.start and reading.end <= change.end:
                told |= [(reading.start, role) for role, words in (("from", change.before), ("to", change.after)) if words == reading.text.strip()]
    for reading in found:
        if reading.start not in told and (side := lone(text, reading)):
            told[reading.start] = {"before": "stood", "after": "left"}[side]
    return told


def _features(one: Candidate, found: Sequence[Candidate], about: About) -> Features:
    """What speaks for and against a number being where the setting was found, or left."""
    taken, words = about.taken, one.reading.text.strip()
    here = [other for other in found if other.back == 0]
    others = [other for other in found if other is not one]
    start, end = about.stretch
    inside = one.back == 0 and start <= one.reading.start < end
    used, in_words = one.place in taken, is_worded(one.reading)
    return {
        **_encoded_features(one, found, about.label),
        **{role: log_of(one.chances[role]) for role in ("from", "to", "none")},
        "here": one.back == 0, "just before": one.back == 1, "alone": one.beside == 1, "first": one.number == 0, "last": one.number == one.beside - 1,
        "number": min(one.number, 4), "unit": bool(one.reading.unit) and not in_words, "worded": in_words, "amount": one.is_amount, "left alone": one.left_alone,
        "counted": is_counted(one.sentence.text, one.reading), "cue": follows_a_cue(one.sentence.text, one.reading),
        **{f"rule {role}": one.rule == role for role in ("from", "to", "stood", "left")},
        "read from": bool(words) and words == about.read[0], "read to": bool(words) and words == about.read[1], "read at all": any(about.read),
        "here in all": min(len(here), 5), "only one here": len(here) == 1 and one.back == 0, "none here": not here,
        "another to": log_of(max((other.chances["to"] for other in others if other.back == 0), default=0.0)),
        "another from": log_of(max((other.chances["from"] for other in others), default=0.0)),
        "rule to elsewhere": any(other.rule == "to" for other in others), "rule from elsewhere": any(other.rule == "from" for other in others),
        "unit elsewhere": any(other.reading.unit for other in here if other is not one), "said twice": any(other.reading.value == one.reading.value for other in others),
        "inside": inside, "ahead": one.back == 0 and one.reading.end <= start, "behind": one.back == 0 and one.reading.start >= end, "inside others": not inside and any(
            other.back == 0 and start <= other.reading.start < end for other in others),
        "taken": used, "taken for all": used and bool(_ALL.search(one.sentence.text)),
        "others taken": any(other.place in taken for other in others), "after one taken": any(other.place in taken and other.place < one.place for other in others),
    }


def _encoded_features(one: Candidate, found: Sequence[Candidate], label: str) -> Features:
    """What the encoder says of a number: a value of this setting, of another, or of none; and whether another number is surer to be."""
    own = _odds(one, label)
    before = [_odds(other, label).before for other in found if other is not one]
    after = [_odds(other, label).after for other in found if other is not one and other.back == 0]
    features = dict[str, float]()
    for role, odds, others in (("from", own.before, before), ("to", own.after, after)):
        most = max(others, default=LEAST)
        features |= {f"encoded {role}": odds, f"encoded {role} told": odds > 0, f"encoded {role} first": odds > most, f"encoded {role} elsewhere": most}
    of_another = max((max(odds) for other, odds in one.encoded.items() if other != label), default=LEAST) if label in one.encoded else LEAST
    return {**features, "encoded of another": of_another}


def _odds(one: Candidate, label: str) -> ValueOdds:
    """What the encoder says of a number and a setting; of one of a folder's own vocabulary, whether it is a value at all."""
    if label in one.encoded:
        return one.encoded[label]
    return ValueOdds(*(max(odds) for odds in zip(*one.encoded.values(), strict=True))) if one.encoded else _UNLIKELY
