"""What a check gave: the words of the finding, and whether they speak for the part or against it."""

from __future__ import annotations

import re
from typing import NamedTuple

from casebase.record.case import Verdict
from casebase.retain.stepwords import verdict_of
from casebase.retain.story import Sentence
from casebase.trade.numbers import number
from casebase.trade.readings import find_readings
from casebase.trade.terms import Term

_UNSURE = re.compile(r"\bnot (?:really |quite |too |entirely )?sure\b|\bcan(?:no|')t (?:really )?tell\b|\bhard to (?:say|tell)\b|\bborderline\b|\bdoubtful\b",
                     re.IGNORECASE)
_SHOULD_BE = re.compile(r"\b(?:should (?:be|have been|read)|ought to be|supposed to be|spec is|book says|manual says|nominal)\s+(?:about |around )?(?P<value>\d[\d,.]*)",
                        re.IGNORECASE)
_BAD = re.compile(r"\b(?:below|way down|half|partly|plugged|packed|full of|black|filthy|stiff|chafed|glazed|awful|sour|open circuit|nothing|"
                  r"no oil|rotten|horrible|disgusting|sludge|mud|muck|swollen|shot|knackered|gone|wet|milky|crumbled|crack|hole|step|hissing|tight as|would(?:n't| not) hold|won't hold|dropped|caked|choked|frayed|bubbles|bent)\b", re.IGNORECASE)
_GOOD = re.compile(r"\b(?:not (?:tripped|cracked|split|blocked|worn|torn|loose|bent|damaged|leaking|blown)|no (?:play|scoring|wear|leaks?|cracks?|damage|air leak)|"
                   r"steady|held|holds|in spec|within|undamaged|nothing wrong|like new|enough|plenty)\b", re.IGNORECASE)
_LINK = re.compile(r"^(?:and|but|so|then|or)\b(?!-)|(?<!-)\b(?:and|but|then|or|(?<!\bor )so)$", re.IGNORECASE)
_NO = re.compile(r"\b(?:no|not|never|nothing|none|without)\b|n't\b", re.IGNORECASE)


class Judged(NamedTuple):
    """A verdict, and why it is unsure ("" where it is not)."""

    verdict: Verdict | None
    doubt: str = ""


def judged(sentence: Sentence, start: int, end: int, stop: int, words: str, check: Term) -> Judged:
    """The verdict on a check whose name stands at `start` to `end` of a sentence and whose finding `words` go up to `stop`."""
    said = sentence.text[sentence.segment_at(start)[0]: stop]
    of_size = check.quantity == "length"
    plain = (_against_spec(said) or _against_spec(sentence.text)
             or verdict_of(words, check, of_size=of_size)[0] or cause_at(sentence, start, end) or verdict_of(said, check, of_size=of_size)[0]
             or cause_at(sentence, start, stop))
    return Judged("unsure") if _UNSURE.search(words) else Judged(plain) if plain else in_general(said, check)


def in_general(said: str, check: Term) -> Judged:
    """What other words of a finding say; to a question of yes or no, whether they deny."""
    if _GOOD.search(said) or _BAD.search(said):
        return Judged("ok" if _GOOD.search(said) else "bad")
    if check.ok in (("yes",), ("no",)):
        return Judged("ok" if check.ok == (("no",) if _NO.search(said) else ("yes",)) else "bad",
                      "whether this speaks for the part is read from a yes or no")
    return Judged(None)


def tells(words: str) -> bool:
    """Whether words are a finding by themselves."""
    return bool(_BAD.search(words) or _GOOD.search(words) or _UNSURE.search(words))


def finding(after: str) -> str:
    """What a check gave: the words behind its name."""
    words = re.sub(r"^[\s,:;-]*(?:(?:next|first|test|then|and|it|that|which|i|so|also) |was |were |is |are |came out |looked |measured |reads? )*", "",
                   after, flags=re.IGNORECASE)
    return trimmed(words)


def trimmed(words: str) -> str:
    """The words without the signs and links that a cut leaves at both ends: "emptied it and" is "emptied it"."""
    while (kept := _LINK.sub("", words).strip(" ,.;:-")) != words:
        words = kept
    return words


def cause_at(sentence: Sentence, start: int, end: int) -> Verdict | None:
    """ "bad" where a stretch of a sentence tells of a fault, "ok" where it denies one."""
    for seen in sentence.observations:
        if seen.kind == "cause" and seen.start < end and start < seen.end and seen.status in ("present", "absent"):
            return "bad" if seen.status == "present" else "ok"
    return None


def _against_spec(text: str) -> Verdict | None:
    """ "3 volts, should be 230": what was read held against what the note itself says it should be."""
    wanted, read = _SHOULD_BE.search(text), next(iter(find_readings(text)), None)
    if wanted is None or read is None or read.start > wanted.start():
        return None
    value = number(wanted["value"].rstrip(",.").replace(",", ""))
    return None if not value else "ok" if abs(read.value / value - 1) <= 0.05 else "bad"
