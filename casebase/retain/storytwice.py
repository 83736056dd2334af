"""An adjustment is one step, told once: a setting where a value is told, else something done ("took up the cable, 8 mm").

Where it was found and where it was left may be told sentence after sentence, and corrected in a third."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from casebase.retain.story import Sentence
from casebase.retain.storychanges import is_amount, lone, numbers_in
from casebase.retain.storystep import Told
from casebase.trade.readings import Reading
from casebase.trade.terms import Term

# The action of the vocabulary by which each setting is set.
SET_BY = {
    "low-speed screw": "adjust mixture", "high-speed screw": "adjust mixture", "idle speed screw": "adjust idle speed", "idle speed": "adjust idle speed",
    "ignition air gap": "set ignition air gap", "full-throttle speed": "set governor", "governor spring hole": "set governor", "governor arm": "set governor",
    "belt tension": "adjust belt", "chain tension": "set chain tension", "inlet valve clearance": "set valve clearance",
    "exhaust valve clearance": "set valve clearance", "metering lever height": "set metering lever", "float height": "set float level",
    "drive cable play": "adjust drive cable", "throttle cable play": "adjust throttle cable", "brake cable play": "adjust brake or stop cable",
    "choke cable": "adjust choke control"}
_WAS_SET = re.compile(r"\b(?:was|were|been) (?:only |just )?(?:set|left|gapped|adjusted|pulled|torqued|tightened|pumped|wound|screwed)(?: up| down| in| out)? (?:at|to) (?:about |around )?$"
                      r"|(?<!\bi )(?<!\bwe )\bhad (?:it|them|(?:the|that|his|her|its) [^,;.]{3,30}?) (?:set|wound|screwed|backed|turned|opened|closed|pumped)[^,;.]{0,12} (?:at|to) (?:about |around )?$",
                      re.IGNORECASE)  # by whoever had it before
_SWAPPED = re.compile(r"\b(?:wrong|other) way (?:a)?(?:round|about)\b|\bback to front\b", re.IGNORECASE)
_NEW = ("replace ", "fit ", "refit ", "rebuild ")  # work after which a part is set again
_NEAR, _FAR = 1, 3  # so many sentences later the two are one; a value as found and its change


def told_once(steps: Sequence[Told], parts: Sequence[Sentence], settings: Mapping[str, Term]) -> list[Told]:
    """The steps of a note of these sentences, each once: what the next sentence goes on with is one step, an adjustment too."""
    numbers = {id(part): number for number, part in enumerate(parts)}
    kept: list[Told] = []
    for step in _as_corrected(_as_found(steps, numbers, settings), parts, numbers, settings):
        if step.kind == "set" and step.terms[0] in SET_BY and settings[step.terms[0]].unit and not step.before and (not step.after or _is_how_much(step, settings)):
            step.kind, step.terms, step.after = "do", [SET_BY[step.terms[0]]], ""
        begun = next((one for place, one in reversed([*enumerate(kept)]) if _goes_on(one, step, numbers) and not _is_set_again(step, kept[place + 1:])), None)
        if begun is None:
            kept.append(step)
        else:
            _take_over(begun, step)
    gone = []
    for done in [step for step in kept if step.kind == "do"]:
        for action in list(done.terms):
            by_value = [step for step in kept if step.kind == "set" and SET_BY.get(step.terms[0]) == action
                        and abs(numbers[id(step.sentence)] - numbers[id(done.sentence)]) <= _NEAR]
            for setting in by_value:
                _take_over(setting, done)
            if by_value:
                done.terms.remove(action)
        if not done.terms:
            gone.append(done)
    return [step for step in kept if step not in gone]


def _as_found(steps: Sequence[Told], numbers: Mapping[int, int], settings: Mapping[str, Term]) -> list[Told]:
    """The steps; a setting whose value was only found and is changed in one of the next sentences is told by that change: "It gave an inch and a half. ...
    Moved the idler till it gave half an inch." """
    kept: list[Told] = []
    for place, step in enumerate(steps):
        value = _only_found(step, settings)
        later = next((one for one in steps[place + 1:] if one.kind == "set" and one.terms == step.terms), None) if value else None
        if (later and later.after not in ("", value) and later.before in ("", value) and not _only_found(later, settings)
                and numbers[id(later.sentence)] - numbers[id(step.sentence)] <= _FAR):
            later.before, step.before, step.after = value, value, ""
            _take_over(later, step)
        else:
            kept.append(step)
    return kept


def _only_found(step: Told, settings: Mapping[str, Term]) -> str:
    """The value of a setting that was found and, as far as its sentence tells, not changed; "" for any other step."""
    if step.kind != "set" or step.effects or (step.before and step.after):
        return ""
    if step.before:
        return step.before
    text = step.sentence.text
    value = next(iter(_values(step, settings)), None)
    return step.after if value is not None and (lone(text, value) == "before" or _WAS_SET.search(text[: value.start])) else ""


def _is_how_much(step: Told, settings: Mapping[str, Term]) -> bool:
    """Whether the value of a setting only tells by how much it was moved."""
    return any(is_amount(step.sentence.text, reading, settings[step.terms[0]].unit) for reading in _values(step, settings))


def _values(step: Told, settings: Mapping[str, Term]) -> list[Reading]:
    """The numbers in the sentence of a setting that read like the value it was left at."""
    return [reading for reading in numbers_in(step.sentence.text, settings[step.terms[0]].unit) if _is(reading, step.after)]


def _is(reading: Reading, words: str) -> bool:
    """Whether a reading is the value of these words; of "fifty to one" and "one to fifty" the number is fifty."""
    text = reading.text.strip()
    return words == text or words.startswith(f"{text} to ") or words.endswith((f" to {text}", f":{text}"))


def _as_corrected(steps: Sequence[Told], parts: Sequence[Sentence], numbers: Mapping[int, int], settings: Mapping[str, Term]) -> list[Told]:
    """The steps; a setting that the next sentence corrects was left at the value told there: "took it to four. Hang on, no, it was five thou." """
    kept: list[Told] = []
    corrected: list[tuple[Told, Sentence]] = []
    for step in steps:
        meant = next((one for one, sentence in corrected if step.kind == "set" and step.terms == one.terms and step.sentence is sentence and (step.after in ("", one.after) or _SWAPPED.search(sentence.text))), None)
        if meant is not None:
            step.before = ""  # it never stood at the value that was misspoken
            _take_over(meant, step)
            continue
        kept.append(step)
        if step.kind == "set" and (told := _swapped(step, parts[numbers[id(step.sentence)] + 1:][:_FAR], settings[step.terms[0]].unit)):
            step.before, step.after = step.after, step.before
            corrected.append((step, told))
        unit, following = settings[step.terms[0]].unit if step.kind == "set" else "", parts[numbers[id(step.sentence)] + 1:][:1]
        if unit and step.after and following and (value := _corrected(step, following[0], unit)):
            step.after = value
            step.more += [sentence for sentence in following if sentence not in step.more]
            corrected.append((step, following[0]))
    return kept


def _swapped(step: Told, following: Sequence[Sentence], unit: str) -> Sentence | None:
    """The sentence after a setting that tells both its values again and says that they were the wrong way round."""
    both = [reading.value for words in (step.before, step.after) for reading in numbers_in(words, unit)[:1]]
    return next((sentence for sentence in following if _SWAPPED.search(sentence.text) and len(both) > 1
                 and sorted(both) == sorted(reading.value for reading in numbers_in(sentence.text, unit))), None)


def _corrected(step: Told, following: Sentence, unit: str) -> str:
    """The value by which the sentence after a setting corrects it, "" where it does not."""
    alone = numbers_in(step.sentence.text, unit)
    if not alone or not _is(alone[-1], step.after):
        return ""
    lead = step.sentence.text[: alone[-1].end]
    both = numbers_in(f"{lead}. {following.text}", unit)
    if len(both) < len(alone) or both[len(alone) - 1].start < len(lead):
        return ""
    return both[len(alone) - 1].text.strip() + step.after[len(alone[-1].text.strip()):]


def _goes_on(begun: Told, step: Told, numbers: Mapping[int, int]) -> bool:
    """Whether a step only goes on with one that was told before: "Sniffed the tank. Fine, fresh." Work that was done again after it was told what it did is another."""
    apart = numbers[id(step.sentence)] - max(numbers[id(sentence)] for sentence in (begun.sentence, *begun.more))
    if begun.kind != step.kind or not set(step.terms) <= set(begun.terms) or apart > _NEAR:
        return False
    if step.kind == "set":
        return begun.after == step.after or not (begun.after and step.after)
    return step.kind == "check" or apart == 0 or not begun.effects


def _is_set_again(step: Told, between: Sequence[Told]) -> bool:
    """Whether a setting is told again because a part was replaced since: "a new coil, also set at 0.35"."""
    return step.kind == "set" and any(other.kind == "do" and any(term.startswith(_NEW) for term in other.terms) for other in between)


def _take_over(kept: Told, other: Told) -> None:
    """Gives a step what is told of it again, or under its other name; a bad finding counts."""
    if kept.kind == "check":
        kept.found = (other.found if other.verdict == "bad" or not kept.verdict else "") or kept.found or other.found
        kept.verdict = "bad" if "bad" in (kept.verdict, other.verdict) else other.verdict or kept.verdict
    kept.before, kept.after, kept.chance = kept.before or other.before, kept.after or other.after, max(kept.chance, other.chance)
    kept.effects = {**other.effects, **kept.effects}
    kept.minutes = kept.minutes if kept.minutes is not None else other.minutes
    kept.parts = kept.parts if kept.parts is not None or kept.kind != "do" else other.parts
    kept.more += [sentence for sentence in (other.sentence, *other.more) if sentence is not kept.sentence and sentence not in kept.more]
    kept.more.sort(key=lambda sentence: sentence.start)
    kept.again += [other, *other.again]
