"""The small words of a logged line: results, verdicts, minutes, money, where a part came from.

They stand in a clause of their own ("no change", "25 min", "9.50") or at the end of one, often without a comma.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal
from typing import NamedTuple, cast

from casebase.record.case import Result, Source, Verdict
from casebase.trade.readings import find_readings
from casebase.trade.terms import Term

_RESULTS: dict[Result, str] = {
    "no change": "no change|no changes|no difference|made no difference|made no odds|no odds|no joy|no luck|no effect|"
                 "no better|no help|no improvement|no cure|not cured|not fixed|did nothing|did not help|didn't help|"
                 "didnt help|same|the same|still the same|same as before|same again|unchanged|nothing|nope",
    "worse": "worse|made it worse|a bit worse|bit worse|worse now|got worse",
    "better": "better|a bit better|bit better|a little better|much better|lot better|better now|improved|helped|"
              "better but not right|better not right|better but not cured|half cured|partly cured|nearly|almost",
    "cured": "cured|cured it|fixed|fixed it|sorted|sorted it|solved|that did it|did it|did the trick|that was it|"
             "that cured it|that fixed it|all good|all good now|good now|runs fine now|fine now|runs right|runs well now",
    "not tested": "not tested|not tested yet|untested|not tried|not tried yet|not run yet|to be tested",
}
_VERDICTS: dict[Verdict, str] = {
    "ok": "ok|okay|o.k.|fine|good|all good|in order|passed|pass",
    "bad": "bad|no good|not good|not ok|faulty|failed|fail|fails|knackered|u/s",
    "unsure": "unsure|not sure|can't tell|cant tell|cannot tell|can not tell|doubtful|dunno|maybe|?",
}
# Words of a finding that speak for or against a part where its own entry in the vocabulary has none of them.
_GOOD = ("ok", "okay", "good", "fine", "sound", "clean", "clear", "free", "in spec", "within spec", "in range", "holds",
         "held", "works", "as it should", "normal", "strong", "fresh", "intact", "no leak", "no leaks", "no play")
_BAD = ("bad", "split", "cracked", "torn", "leaks", "leaking", "leak", "blocked", "clogged", "worn", "broken", "burnt",
        "stuck", "sticks", "seized", "dead", "no good", "faulty", "failed", "perished", "melted", "scored", "corroded",
        "missing", "bent", "sheared", "out of spec", "too tight", "too wide", "too low", "too high", "too small", "too big",
        "will not hold", "does not hold", "won't hold", "weak", "loose", "stretched", "frayed", "rusty", "gummed")
_TIGHT = ("tight", "wide")
_SOURCES: dict[Source, str] = {
    "maker's": "maker's|a genuine one|makers|maker's part|genuine|genuine part|original part|oem",
    "pattern": "pattern|a pattern one|pattern part|aftermarket|aftermarket part",
    "used": "used|a used one|used part|second-hand|second hand|secondhand|from a donor|from donor",
    "made here": "made here|home made|homemade|made one",
}
_CURRENCY = r"(?:[€£$]|\b(?:eur|euros?|gbp|chf|usd|quid|dollars|bucks|francs)\b)"
_MONEY = re.compile(
    rf"(?P<cue>(?:\b(?:parts?|costs?|paid|price)\b:?\s*)?)(?P<sign>{_CURRENCY}?)\s?(?P<sum>\d{{1,6}}(?:[.,]\d\d)?)"
    rf"(?P<after>(?:\s?{_CURRENCY})?(?:\s?(?:in )?parts?\b)?)$", re.IGNORECASE)
_SHORT_TIME = re.compile(r"(?<![\w.,/])(\d{1,4}(?:[.,]\d)?)\s?(m|'|h)$")
# What makes a time part of a finding and not of the bill: "dies after 10 min".
_NOT_WORK = re.compile(r"\b(?:after|for|every|within|ran|runs|held|holds|lasted|lasts|until|till|under|over|at)\s*$",
                       re.IGNORECASE)
# What ties a small thing to the words before it and says nothing itself.
_LINKS = {"minutes": re.compile(r"(?:\b(?:took|takes|in|about)\b|[-~:=])$", re.IGNORECASE),
          "": re.compile(r"(?:\b(?:and|but|it|now|then|so|with)\b|[-:=+&/])$", re.IGNORECASE)}
# Words of a result that mean one only where they are a whole clause, or not behind such words.
_ALONE = frozenset(("nothing", "same", "nope", "nearly", "almost", "sorted", "did it", "the same"))
_COMPARED = frozenset(("better", "worse", "fixed", "helped", "improved", "unchanged"))
_NO_RESULT_BEHIND = re.compile(r"\b(?:no|runs?|starts?|idles?|not|be|is|sounds|looks|was|are)$", re.IGNORECASE)
_TRAILING_VERDICTS = frozenset(("ok", "okay", "bad", "unsure", "?"))


_NO_ANSWER = re.compile(r"(?:.*, )?(?:no|not|never|nothing|same|does not|did not|doesn't|didn't)\b", re.IGNORECASE)
_YES_ANSWER = re.compile(r"(?:yes|yep|better|works|does|did|moves|holds|runs|ran|smooth|fires|fired|starts|started)\b",
                         re.IGNORECASE)
_DENIED = re.compile(r"(?:\b(?:no|not|never|without|isnt)|n't)(?: (?!longer)[\w-]+)?\s$", re.IGNORECASE)


def _ending(table: dict[str, str]) -> dict[str, re.Pattern[str]]:
    return {value: re.compile(rf"(?<![\w'])(?:{'|'.join(re.escape(word) for word in sorted(words.split('|'), key=len, reverse=True))})$",
                              re.IGNORECASE) for value, words in table.items()}


_RESULT_ENDS = _ending(cast("dict[str, str]", _RESULTS))
_VERDICT_ENDS = _ending(cast("dict[str, str]", _VERDICTS))
_SOURCE_ENDS = _ending(cast("dict[str, str]", _SOURCES))


class Small(NamedTuple):
    """One small thing read at the end of a clause: its field, its value as the case file has it, its words."""

    field: str
    value: str
    words: str


def peel(clause: str) -> tuple[str, list[Small]]:
    """Takes the small things off the end of a clause: the rest, and what was taken, in the order typed."""
    taken: list[Small] = []
    rest = clause.strip(" .,;")
    while rest:
        found = next(_at_end(rest), None)
        if found is not None:
            taken.insert(0, found)
            rest = rest[: len(rest) - len(found.words)].rstrip(" .,;(")
            continue
        link = _LINKS.get(taken[0].field if taken else "none", _LINKS[""]).search(rest) if taken else None
        if link is None:
            break
        rest = rest[: link.start()].rstrip()
    return rest, taken


def _at_end(rest: str) -> Iterator[Small]:
    """What can be read at the end, the longest words of all first."""
    hits = [Small(field, value, match.group())
            for field, table in (("result", _RESULT_ENDS), ("verdict", _VERDICT_ENDS), ("source", _SOURCE_ENDS))
            for value, pattern in table.items() if (match := pattern.search(rest)) and _stands_alone(rest, match, field)]
    yield from sorted(hits, key=lambda small: -len(small.words))
    minutes = _minutes(rest)
    if minutes:
        yield minutes
    money = _MONEY.search(rest)
    if money and _is_money(rest, money):
        yield Small("parts", money["sum"].replace(",", "."), money.group())


def _stands_alone(rest: str, match: re.Match[str], field: str) -> bool:
    """Whether the words are the whole clause, or such as may also stand at the end of a longer one.

    "Spark good" is a finding, and only a clause of its own makes "good" the verdict.
    """
    before, words = rest[: match.start()].strip(" .,;-"), match.group().lower()
    if not before:
        return True
    if field == "source":
        return "part" in words or words.startswith("from") or words.endswith(" one")
    if field == "verdict":
        return words in _TRAILING_VERDICTS and not re.search(r"\b(?:not|is it)$", before)
    if words in _ALONE or (words.split()[0] in _COMPARED and _NO_RESULT_BEHIND.search(before)):
        return False
    return not re.search(r"\b(?:not|be)$", before)


def _minutes(rest: str) -> Small | None:
    short = _SHORT_TIME.search(rest)
    last = next((reading for reading in find_readings(rest) if reading.end == len(rest)), None)
    if short:
        value, hours, start = float(short[1].replace(",", ".")), short[2] == "h", short.start()
    elif last is not None and last.unit in ("min", "h") and last.high is None:
        value, hours, start = last.value, last.unit == "h", last.start
    else:
        return None
    if _NOT_WORK.search(rest[:start]):
        return None
    minutes = round(Decimal(str(value)) * (60 if hours else 1), 2).normalize()
    return Small("minutes", f"{minutes:f}", rest[start:])


def _is_money(rest: str, match: re.Match[str]) -> bool:
    """A sum is told by a cue or a currency, or by its two places where nothing before it makes it something else."""
    if match["cue"] or match["sign"] or match["after"]:
        return True
    before = rest[: match.start()]
    return bool(re.search(r"[.,]\d\d$", match["sum"])) and not re.search(r"[\d/.,:]\s?$|\b(?:was|now|to|from|at|is|gap)\s*$",
                                                                        before, re.IGNORECASE)


def verdict_of(found: str, check: Term | None, *, of_size: bool) -> tuple[Verdict | None, str]:
    """What the words of a finding say of the part, and the words that say it; (None, "") where they leave it open.

    The check's own words come first; `of_size` tells a check of a clearance or gap, for which tight and wide are bad.
    """
    own = ((check.ok, check.bad),) if check else ()
    if check and {*check.ok, *check.bad} == {"yes", "no"}:  # a question: what it finds is not how the part is
        answer = "no" if _NO_ANSWER.match(found) else "yes" if _YES_ANSWER.match(found) else ""
        return (None, "") if not answer else ("ok" if answer in check.ok else "bad", found.split(",")[0])
    general = (_GOOD, (*_BAD, *(_TIGHT if of_size else ())))
    for good, bad in (*own, general):
        hits = [("bad", f"too {phrase}") if _says(found, f"too {phrase}") else (verdict, phrase)  # "too tight" is not well, where "tight" is
                for verdict, phrases in (("ok", good), ("bad", bad)) for phrase in phrases if _says(found, phrase)]
        longest = [hit for hit in hits if not any(hit[1] != other and hit[1] in other for _verdict, other in hits)]
        if len({verdict for verdict, _phrase in longest}) == 1:
            return cast("Verdict", longest[0][0]), longest[0][1]
        if longest:
            return None, ""
    return None, ""


def _says(found: str, phrase: str) -> bool:
    """Whether a finding says a phrase and does not deny it."""
    if phrase in ("yes", "no"):
        return bool(re.match(rf"{phrase}\b(?! (?:play|leak|wear))", found, re.IGNORECASE))
    hits = re.finditer(rf"\b{re.escape(phrase)}\b", found, re.IGNORECASE)
    return any(not _DENIED.search(found[: hit.start()]) for hit in hits)
