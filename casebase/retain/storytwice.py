"""An adjustment is one step, told once: a setting where a value is told, else something done ("took up the cable, 8 mm")."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from casebase.retain.storystep import Told
from casebase.trade.terms import Term

# The action of the vocabulary by which each setting is set.
SET_BY = {
    "low-speed screw": "adjust mixture", "high-speed screw": "adjust mixture", "idle speed screw": "adjust idle speed", "idle speed": "adjust idle speed",
    "ignition air gap": "set ignition air gap", "full-throttle speed": "set governor", "governor spring hole": "set governor", "governor arm": "set governor",
    "belt tension": "adjust belt", "chain tension": "set chain tension", "inlet valve clearance": "set valve clearance",
    "exhaust valve clearance": "set valve clearance", "metering lever height": "set metering lever", "float height": "set float level",
    "drive cable play": "adjust drive cable", "throttle cable play": "adjust throttle cable", "brake cable play": "adjust brake or stop cable",
    "choke cable": "adjust choke control"}
_NEAR = 1  # sentences between the two


def told_once(steps: Sequence[Told], numbers: Mapping[int, int], settings: Mapping[str, Term]) -> list[Told]:
    """The steps of a note, each once: what the next sentence goes on with is one step, an adjustment too. `numbers` are the places of
    the sentences by their `id`."""
    kept: list[Told] = []
    for step in steps:
        if step.kind == "set" and step.terms[0] in SET_BY and settings[step.terms[0]].unit and not (step.before or step.after):
            step.kind, step.terms = "do", [SET_BY[step.terms[0]]]
        begun = next((one for one in reversed(kept) if _goes_on(one, step, numbers)), None)
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


def _goes_on(begun: Told, step: Told, numbers: Mapping[int, int]) -> bool:
    """Whether a step only goes on with one that was told before: "Sniffed the tank. Fine, fresh." Work that was done again after it was told what it did is another."""
    apart = numbers[id(step.sentence)] - max(numbers[id(sentence)] for sentence in (begun.sentence, *begun.more))
    if begun.kind != step.kind or not set(step.terms) <= set(begun.terms) or apart > _NEAR:
        return False
    if step.kind == "set":
        return begun.after == step.after or not (begun.after and step.after)
    return step.kind == "check" or apart == 0 or not begun.effects


def _take_over(kept: Told, other: Told) -> None:
    """Gives a step what is told of it again, or under its other name; a bad finding counts."""
    if kept.kind == "check":
        kept.found = (other.found if other.verdict == "bad" or not kept.verdict else "") or kept.found or other.found
        kept.verdict = "bad" if "bad" in (kept.verdict, other.verdict) else other.verdict or kept.verdict
    kept.before, kept.after = kept.before or other.before, kept.after or other.after
    kept.effects = {**other.effects, **kept.effects}
    kept.minutes = kept.minutes if kept.minutes is not None else other.minutes
    kept.parts = kept.parts if kept.parts is not None or kept.kind != "do" else other.parts
    kept.more += [sentence for sentence in (other.sentence, *other.more) if sentence is not kept.sentence and sentence not in kept.more]
