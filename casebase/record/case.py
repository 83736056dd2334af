"""What a case is: frozen, typed parts that hold what a person wrote, in the words they wrote it.

Terms (symptoms, checks, actions, causes) stay text here; `trade` knows what they mean. Three states differ
throughout: a symptom may be present (`symptoms`), looked for and not there (`absent`), or not mentioned at
all, which means "not asked".
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Literal, NamedTuple, get_args

Status = Literal["open", "closed"]
Verdict = Literal["ok", "bad", "unsure"]
Result = Literal["cured", "better", "no change", "worse", "not tested"]
Outcome = Literal["fixed", "partly fixed", "not fixed", "no fault found", "not worth fixing", "declined"]
FollowupStatus = Literal["holding", "came back", "unknown"]
Source = Literal["maker's", "pattern", "used", "made here"]

STATUSES: tuple[str, ...] = get_args(Status)
VERDICTS: tuple[str, ...] = get_args(Verdict)
RESULTS: tuple[str, ...] = get_args(Result)
OUTCOMES: tuple[str, ...] = get_args(Outcome)
FOLLOWUP_STATUSES: tuple[str, ...] = get_args(FollowupStatus)
SOURCES: tuple[str, ...] = get_args(Source)


class Machine(NamedTuple):
    """The machine on the bench. Empty text means unknown, never "no"."""

    kind: str = ""
    engine: str = ""
    carburettor: str = ""
    displacement: str = ""
    age: str = ""
    start: str = ""
    make: str = ""
    model: str = ""
    tag: str = ""


class History(NamedTuple):
    """What happened before the machine arrived."""

    stored: str = ""
    fuel: str = ""
    use: str = ""
    tried_before: tuple[str, ...] = ()
    note: str = ""


NOTHING_KNOWN = History()


class Effect(NamedTuple):
    """What a step did to one symptom. `symptom` is "" when the file does not say which."""

    symptom: str
    result: Result


class Check(NamedTuple):
    """Something looked at or measured."""

    check: str
    found: str = ""
    verdict: Verdict | None = None
    minutes: Decimal | None = None
    note: str = ""
    date: date | None = None


class Setting(NamedTuple):
    """Something turned or bent, with its value as found and as left, so that it can be put back."""

    setting: str
    before: str = ""
    after: str = ""
    effects: tuple[Effect, ...] = ()
    minutes: Decimal | None = None
    note: str = ""
    date: date | None = None


class Repair(NamedTuple):
    """One or more actions done before the next trial run. More than one is a bundle and stays one."""

    actions: tuple[str, ...]
    effects: tuple[Effect, ...] = ()
    parts: Decimal | None = None
    minutes: Decimal | None = None
    source: Source | None = None
    note: str = ""
    date: date | None = None


Step = Check | Setting | Repair


class Fault(NamedTuple):
    """A cause that was found, and the symptoms it explains."""

    fault: str
    explains: tuple[str, ...] = ()


class Followup(NamedTuple):
    """News of a finished repair; `unknown` means asked for, but nothing heard."""

    date: date
    status: FollowupStatus


@dataclass(frozen=True, slots=True)
class Case:
    """One job. `id` is the name of its file without `.md`."""

    id: str
    title: str
    date: date
    machine: Machine
    complaint: str
    status: Status = "closed"
    symptoms: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    history: History = NOTHING_KNOWN
    steps: tuple[Step, ...] = ()
    causes: tuple[Fault, ...] = ()
    proof: tuple[str, ...] = ()
    outcome: Outcome | None = None
    followups: tuple[Followup, ...] = ()
    advice: tuple[str, ...] = ()
    comeback_of: str = ""
    body: str = ""
    private: tuple[tuple[str, str], ...] = field(default=(), repr=False)

    @property
    def number(self) -> str:
        """How the case is cited: `26-014` for `26-014-dies-when-tilted`, else the whole id."""
        return citation(self.id)

    def repairs(self) -> Iterator[Setting | Repair]:
        """The steps that changed something, in order."""
        return (step for step in self.steps if not isinstance(step, Check))

    @property
    def came_back(self) -> bool:
        return any(followup.status == "came back" for followup in self.followups)


_NUMBERED = re.compile(r"(\d\d-\d{3,})-")


def citation(case_id: str) -> str:
    """The short form of a case id used in answers: year and running number where the id begins so."""
    match = _NUMBERED.match(case_id)
    return match.group(1) if match else case_id
