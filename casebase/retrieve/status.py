"""Is a thing that is mentioned there, denied, over, past or only suspected?

After NegEx (Chapman, Bridewell, Hanbury, Cooper & Buchanan 2001, J Biomed Inform 34:301–310): trigger phrases
before or after a term, a scope of five words, phrases that end a scope, and look-alikes that negate nothing.
The trade's own triggers are ours. Words that belong to a term never act as triggers, so "no spark" and "will
not idle" are present symptoms.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Literal, NamedTuple

from casebase.trade.words import FILLERS, Token

Status = Literal["present", "absent", "resolved", "possible", "historical"]

SCOPE = 5

# Classes of trigger phrases. "noun" denials reach along a list ("no leaks, smoke or noise"), "verb"
# denials end there ("does not rev, leaks fuel").
_PHRASES: dict[str, str] = {
    "noun": "no; without; without any; no sign of; no signs of; free of; no trace of; no evidence of; zero; nor; neither; "
            "nothing wrong with; no problem with; no problems with; no trouble with; no issue with; no issues with; "
            "nothing; did not find; did not find any; can not find; can not see; could not find; could not see; not see any; "
            "ruled out; rules out; rule out; not find; not see; none of; not any; never any; not a; no more",
    "verb": "not; never; do not think; does not seem; does not look; is not; does not; do not; did not; has not; have not; was not; are not; never has; hardly ever",
    "after": "is fine; are fine; was fine; fine; is ok; ok; okay; was ok; is good; looks good; looks fine; looked fine; "
             "is sound; checks out; checked out; tested good; tested fine; tests good; tests fine; ruled out; within spec; in spec; "
             "not the problem; not the issue; is not the problem; is not there; no problem; no problems; not happening; "
             "has been ruled out; is unlikely; not a problem; not an issue",
    "over": "no longer; not any more; not anymore; not any longer; stopped; cured the; cured; fixed the; got rid of; "
            "sorted the; has stopped; is over; no more of the; that fixed the; which fixed the; which cured the",
    "over after": "is gone; are gone; gone; all gone; gone now; went away; has gone; have gone; is fixed; was fixed; is cured; was cured; "
                  "is sorted; got sorted; cleared up; has stopped; stopped; has been fixed; has been sorted; "
                  "was repaired; got fixed; got repaired; is ok now; is fine now; fine now; not any more; not anymore; no longer; "
                  "is history; disappeared; has been cured; already fixed; already repaired; "
                  "but not any more; but not anymore; but not now; does not any more; does not anymore; but fine now; but ok now",
    "past": "used to; last year; last season; last summer; last autumn; last fall; last winter; last spring; "
            "previous owner; the guy before me; years ago; in the past; back then; a while ago; once before; "
            "a few years back; years back; ages ago; the last owner; when i bought it; two years ago; at one time; "
            "the last one; last one; the old one; my old one; the previous one; in those days",
    "perhaps": "maybe; might; might be; may be; could be; perhaps; possibly; possible; probably; suspect; suspecting; suspected; "
               "i think; i guess; guessing; not sure if; not sure whether; wondering if; wonder if; can not rule out; "
               "could not rule out; not ruled out; would it be; could it be; is it the; unless; in case; if; whether; thinking; "
               "do not know if; can not tell if; can not say if; i thought; thought it; thought maybe; reckon; reckons; reckoned; "
               "was told; were told; told me it was; thinks; supposed to; supposedly; blames; blamed; worried; worry; afraid",
    "look-alike": "not only; not just; not sure; not certain; no change; no matter; no idea; no luck; no joy; no doubt; "
                  "do not know; not even; no difference; not sure why; not until; no problem; no problems; nothing else; "
                  "why not; since last year; since last season; since last summer; since last autumn; since last fall; "
                  "since last winter; since last spring; no help; not help; did not help; does not help; no apparent reason; "
                  "no reason; not much; not bad; no good; not too; not really sure; not long; not sure how; no warning; "
                  "without warning; without any warning; not enough; no way; nothing happens; not the only; can not figure; "
                  "can not work out; not the same; not want to; do not want; not get; not matter",
    "end": "but; however; except; although; though; then; until; till; yet; instead; because; whereas; which; while; "
           "that is when; just; now; only; unless; after that; other than; apart from; aside from; still",
}
# Said of what came before, in the same sentence or the one after it.
_BACK = {
    "back over": "no more of that; no more of it; no trouble since; no problem since; no problems since; no bother since; "
                 "no issues since; fine since; good since; fine ever since; good ever since; dry since; dry ever since; "
                 "perfect since; never done that again; never done it again; not done it again; not done that again; not done it since; not done that since; not happened since; not had it since; not come back; never came back; "
                 "that is gone; that has gone; that went; that went when; that went away; that is fixed; that is sorted; that is cured; "
                 "stopped that; stopped it; cured that; sorted that; put paid to it; put paid to that; saw to that; saw it off; "
                 "took care of that; took care of it; that has been fixed; that was fixed; that was sorted; that is done; that fixed it; that cured it; "
                 "that sorted it; that did it; that did the trick; it cleared; it has cleared; it went away; it has gone away; "
                 "the end of that; end of that; end of it; dry now; is dry now; it is fine now; it is ok now; "
                 "all good now; you fixed it; we fixed it; which you fixed; you fixed that; i fixed that; i fixed it; "
                 "got that fixed; had that fixed; had it fixed; problem solved; has been fine; have been fine; is behind us",
    "back not": "it is not that; is not that; was not that; not that; that is not it; i see none; see none; saw none; found none; "
                "none of that; i do not think so; not the case; nothing like that; nothing of the sort; but no",
    "back not end": ", no; it does not; mine does not; they do not; it never has; it never did; it never does; never has; never did; "
                    "never does; it is not; mine is not; it did not; it was not; it has not; but not mine; they are not; "
                    "but fine; but ok; but okay; but good; but sound; but dry",
}
_CAUSE_HEDGES = "looks like; seems like; sounds like; points to; smells like; seems to be; looks to be"


def _table(phrases_of: dict[str, str]) -> dict[str, list[tuple[tuple[str, ...], str]]]:
    table: dict[str, list[tuple[tuple[str, ...], str]]] = {}
    for kind, phrases in phrases_of.items():
        for phrase in phrases.split(";"):
            words = tuple(phrase.split())
            table.setdefault(words[0], []).append((words, kind))
    for options in table.values():
        options.sort(key=lambda option: -len(option[0]))
    return table


_TABLE = _table({**_PHRASES, "perhaps cause": _CAUSE_HEDGES})
_BACK_TABLE = _table(_BACK)
# Words that begin a new statement where a list might have gone on.
_SUBJECTS = frozenset({"it", "i", "she", "he", "they"})


class Trigger(NamedTuple):
    """A trigger phrase at tokens `start` to `end` (exclusive)."""

    kind: str
    start: int
    end: int


def triggers(text: Sequence[Token], taken: Collection[int]) -> list[Trigger]:
    """The trigger phrases of a text, each class in order; words in `taken` belong to terms and trigger nothing.

    A phrase may be several kinds at once ("ruled out" acts before and after). Where phrases overlap the longest
    wins, so "not only" hides "not".
    """
    return [*_scan(_TABLE, text, taken), *_scan(_BACK_TABLE, text, taken)]


def _scan(table: dict[str, list[tuple[tuple[str, ...], str]]], text: Sequence[Token],
          taken: Collection[int]) -> list[Trigger]:
    found: list[Trigger] = []
    said = [token.text for token in text]
    position = 0
    while position < len(text):
        here = [(words, kind) for words, kind in table.get(said[position], ())
                if tuple(said[position: position + len(words)]) == words and _counts(words, text, position, taken)]
        longest = max((len(words) for words, _kind in here), default=1)
        found += [Trigger(kind, position, position + longest) for words, kind in here if len(words) == longest]
        position += longest
    return found


def _counts(words: tuple[str, ...], text: Sequence[Token], position: int, taken: Collection[int]) -> bool:
    """Whether a phrase that stands there may act as one."""
    span = range(position, position + len(words))
    return ((words != (",", "no") or span.stop == len(text) or text[span.stop].is_hard_break)  # "oil leak, no."
            and (words == ("but",) or not any(i in taken for i in span)))  # a "but" always ends a denial


def status_of(used: Sequence[int], text: Sequence[Token], found: Sequence[Trigger], *, is_cause: bool = False,
              terms: Collection[int] = ()) -> Status:
    """The status of a term that uses the tokens `used`, given the triggers of its text.

    `terms` are the positions of all terms, among which a phrase such as "that's gone" finds the one it speaks of.
    """
    before = [trigger for trigger in found if _reaches_forward(trigger, used, text, found)]
    after = [trigger for trigger in found if _reaches_back(trigger, used, text, found)]
    kinds_before = {trigger.kind for trigger in before}
    kinds_after = {trigger.kind for trigger in after}
    denied = kinds_before & {"noun", "verb"}
    if "over" in kinds_before or "over after" in kinds_after:
        return "resolved"
    later = _said_later(used, text, found, terms)
    if later is not None:
        return later
    if denied and _ends_with_until(used, text):
        return "present"
    if denied and _said_now(used, text):
        return "resolved"
    if _is_past(used, text, found):
        return "historical"
    if denied or "after" in kinds_after:
        return "absent"
    if "perhaps" in kinds_before or (is_cause and "perhaps cause" in kinds_before):
        return "possible"
    return "present"


def _reaches_forward(trigger: Trigger, used: Sequence[int], text: Sequence[Token], found: Sequence[Trigger]) -> bool:
    """Whether a trigger stands before one of the term's words and its scope is not ended on the way."""
    if trigger.kind not in ("noun", "verb", "over", "perhaps", "perhaps cause"):
        return False
    if trigger.kind.startswith("perhaps") and trigger.start > used[0] and text[trigger.end - 1].text != "case":
        return False  # "hard starting, whether hot or cold"
    after = [position for position in used if position >= trigger.end]
    if not after or (trigger.kind == "verb" and trigger.start > used[0] and len(after) < 1):
        return False
    target = after[0] if trigger.end <= used[0] else after[-1]
    return not _cut(trigger, range(trigger.end, target), text, found)


def _cut(trigger: Trigger, between: range, text: Sequence[Token], found: Sequence[Trigger]) -> bool:
    counted = 0
    for position in between:
        token = text[position]
        if token.is_hard_break or (token.text in (",", "and") and trigger.kind in ("verb", "over")):
            return True
        if token.text == "and" and trigger.kind == "noun" and not _noun_list(between, text, position):
            return True
        if token.text == "," and trigger.kind == "noun" and not _denial_goes_on(text, position):
            return True
        counted += token.text not in FILLERS and not token.is_break
    ended = any(other.kind == "end" and other.start in between for other in found)
    return ended or counted > SCOPE


def _denial_goes_on(text: Sequence[Token], comma: int) -> bool:
    """ "No leaks, smoke or noise" goes on denying after its comma; "no leaks, it surges" does not.

    A list is told by its "or", and by items of one or two words before that.
    """
    words = 0
    for token in text[comma + 1:]:
        if token.text in ("or", "nor"):
            return words > 0
        words = 0 if token.text == "," else words + 1
        if token.is_hard_break or words > 2 or token.text in _SUBJECTS:
            return False
    return False


def _noun_list(between: range, text: Sequence[Token], position: int) -> bool:
    """ "No smoke and noise": the denial goes on when only one word stands on each side of the "and"."""
    return between.stop - position <= 2 and text[between.stop - 1].text not in _SUBJECTS


def _reaches_back(trigger: Trigger, used: Sequence[int], text: Sequence[Token], found: Sequence[Trigger]) -> bool:
    """Whether a trigger stands after the term, close enough to speak of it."""
    if trigger.kind not in ("after", "over after") or trigger.start <= used[-1]:
        return False
    if text[trigger.end - 1].text == "gone" and trigger.end < len(text) and text[trigger.end].text in _GONE_ON:
        return False
    both_ways = any(other.start == trigger.start and other.kind in ("noun", "over") for other in found)
    if both_ways and trigger.end < len(text) and not text[trigger.end].is_break:
        return False  # "no spark, no longer leaks": it speaks of what follows
    words = 0
    for position in range(used[-1] + 1, trigger.start):
        token = text[position]
        if token.is_hard_break or (token.text in (",", "and") and trigger.kind == "after"
                                   and not _are_listed(text, position, trigger)):
            return False
        if token.text == "," and not _list_goes_on(text[position + 1: trigger.start]):
            return False
        words += token.text not in FILLERS and not token.is_break
    ended = any(other.kind == "end" and used[-1] < other.start < trigger.start and text[other.start].text != "now"
                for other in found)
    return not ended and words <= (2 if trigger.kind == "after" else 3)


def _are_listed(text: Sequence[Token], position: int, trigger: Trigger) -> bool:
    """ "Smoke and power are no problem": the plural speaks of both."""
    return text[position].text == "and" and any(token.text == "are" for token in text[position: trigger.end])


# What "gone" goes on to: "the level has gone up" tells of a fault, not of its end.
_GONE_ON = frozenset((
    "up", "down", "hard", "stiff", "soft", "off", "bad", "wrong", "worse", "through", "over", "out", "in", "into", "to",
    "from", "dead", "slack", "black", "thin", "flat", "weak"))
_NOW = frozenset(("now", "any", "anymore", "since", "today"))
# What takes a "that fixed it" back again.
_NOT_FOR_GOOD = frozenset(("for", "until", "till", "only", "then", "once", "almost", "mostly", "not"))


def _said_later(used: Sequence[int], text: Sequence[Token], found: Sequence[Trigger],
                terms: Collection[int]) -> Status | None:
    """ "It surged in spring, I changed the gasket, no trouble since": a later phrase speaks of what was said last."""
    if _none_now(used, text):
        return "resolved"
    for trigger in found:
        if trigger.start <= used[-1] or not _says_of_before(trigger, text):
            continue
        last = max((position for position in terms if position < trigger.start), default=used[-1])
        breaks = [text[position].is_hard_break for position in range(used[-1], trigger.start)]
        if any(text[position].is_hard_break for position in range(used[-1], last)) or sum(breaks) > 2:
            continue
        return "resolved" if trigger.kind == "back over" else "absent"
    return None


def _none_now(used: Sequence[int], text: Sequence[Token]) -> bool:
    """ "It blew black smoke. No smoke now.": a later statement takes back a thing that was named before."""
    named = {text[position].head for position in used}
    return any(token.text == "no" and text[place + 1].head in named and text[place + 2].text in _NOW
               and text[place - 1].is_break for place, token in enumerate(text[:-2]) if place > used[-1] + 1)


def _says_of_before(trigger: Trigger, text: Sequence[Token]) -> bool:
    after = [token.text for token in text[trigger.end: trigger.end + 3]]
    if trigger.kind == "back over":
        return _NOT_FOR_GOOD.isdisjoint(after) and text[trigger.start - 1].text not in ("not", "until", "if")
    if trigger.kind == "back not end":
        return not after or after[0] in (",", "but", "and", "though", "so") or text[trigger.end].is_hard_break
    return trigger.kind == "back not"


def _list_goes_on(rest: Sequence[Token]) -> bool:
    """ "Surging, bogging and flooding are gone" is a list; "it surges, the leak is gone" are two statements."""
    return not rest or any(token.text in ("and", "or") for token in rest)


def _ends_with_until(used: Sequence[int], text: Sequence[Token]) -> bool:
    """ "Never had a leak until today": the denial holds for the past only."""
    for token in text[used[-1] + 1: used[-1] + 1 + SCOPE]:
        if token.is_break:
            return False
        if token.text in ("until", "till", "before"):
            return True
    return False


def _said_now(used: Sequence[int], text: Sequence[Token]) -> bool:
    """ "Does not leak any more", "not leaking now"."""
    rest = [token.text for token in text[used[-1] + 1: used[-1] + 4]]
    return rest[:1] in (["now"], ["anymore"]) or rest[:2] in (["any", "more"], ["any", "longer"])


def _is_past(used: Sequence[int], text: Sequence[Token], found: Sequence[Trigger]) -> bool:
    """Whether a phrase of the past stands in the same clause."""
    for trigger in found:
        if trigger.kind != "past":
            continue
        low, high = sorted((trigger.start, used[0]))
        between = set(range(low, high)) - set(used)
        opening = trigger.start == 0 or text[trigger.start - 1].is_break
        if opening and trigger.end in between and text[trigger.end].text == ",":
            between.discard(trigger.end)  # "last year, it flooded": the comma only sets the time apart
        if not any(text[i].is_hard_break or text[i].text in (",", "now", "but") for i in between):
            return True
    return False
