"""A step of a note while it is being read."""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from typing import Literal

from casebase.record.case import Result, Source, Verdict
from casebase.retain.story import Sentence

ABOUT_WHAT = 'which symptom "{sentence}" is about is not said'
StepKind = Literal["check", "set", "do"]


@dataclass(slots=True, eq=False)
class Told:
    """A step as far as it has been read; `start` and `end` are characters of its sentence. `replaces` is the look that
    gave the value a setting was found at, which the setting tells by itself. `chance` is how likely it is told at all, in [0, 1];
    `again` are the other tellings of it that it has taken over."""

    kind: StepKind
    terms: list[str]
    sentence: Sentence
    start: int
    end: int
    found: str = ""
    verdict: Verdict | None = None
    before: str = ""
    after: str = ""
    effects: dict[str, Result] = field(default_factory=dict)
    minutes: Decimal | None = None
    parts: Decimal | None = None
    source: Source | None = None
    note: str = ""
    doubts: list[str] = field(default_factory=list)
    more: list[Sentence] = field(default_factory=list)
    replaces: Told | None = None
    chance: float = 1.0
    again: list[Told] = field(default_factory=list)

    def forget_effects(self) -> None:
        """Takes back what was read of the step's effects, with the doubt about them."""
        self.effects = {}
        self.doubts = [doubt for doubt in self.doubts if not doubt.startswith(ABOUT_WHAT.split("{")[0])]
