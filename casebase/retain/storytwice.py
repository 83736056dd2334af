"""An adjustment is one step, told once: a setting where a value is told, else something done ("took up the cable, 8 mm")."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from casebase.retain.story import Sentence
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


def told_once(steps: Sequence[Told], parts: Sequence[Sentence], settings: Mapping[str, Term]) -> list[Told]:
    """The steps of a note, whose sentences are `parts`, each adjustment once."""
    for step in steps:
        if step.kind == "set" and step.terms[0] in SET_BY and settings[step.terms[0]].unit and not (step.before or step.after):
            step.kind, step.terms = "do", [SET_BY[step.terms[0]]]
    gone: list[Told] = []
    for setting in [step for step in steps if step.kind == "set"]:
        again = [step for step in steps if step is not setting and step not in gone and setting not in gone and step.kind == "set"
                 and step.sentence is setting.sentence and (step.terms, step.after) == (setting.terms, setting.after)]
        for step in again:
            _take_over(setting, step)
        gone += again
    numbers = {id(part): number for number, part in enumerate(parts)}
    for done in [step for step in steps if step.kind == "do"]:
        for action in list(done.terms):
            by_value = [step for step in steps if step.kind == "set" and step not in gone and SET_BY.get(step.terms[0]) == action
                        and abs(numbers[id(step.sentence)] - numbers[id(done.sentence)]) <= _NEAR]
            for setting in by_value:
                _take_over(setting, done)
            if by_value:
                done.terms.remove(action)
        if not done.terms:
            gone.append(done)
    return [step for step in steps if step not in gone]


def _take_over(kept: Told, other: Told) -> None:
    """Gives a step what is told of it under its other name."""
    kept.before = kept.before or other.before
    kept.effects = {**other.effects, **kept.effects}
    kept.minutes = kept.minutes if kept.minutes is not None else other.minutes
    kept.more += [sentence for sentence in (other.sentence, *other.more) if sentence is not kept.sentence and sentence not in kept.more]
