"""Small things several tests need: case files as text, a full case, one problem out of a reading."""

from __future__ import annotations

import os
import signal
import socket
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from decimal import Decimal
from pathlib import Path
from types import FrameType

import pytest

from casebase.problems import Problem
from casebase.record.case import (
    Case,
    Check,
    Effect,
    Fault,
    Followup,
    History,
    Machine,
    Repair,
    Setting,
)
from casebase.record.casefile import Reading, read

NEEDED = "title: Saw will not start\ndate: 2026-04-18\nmachine: {kind: chainsaw}\ncomplaint: it is dead\n"
"""The four required fields, on lines 2 to 5 of the file that `text` makes of them."""


EXAMPLE = """\
---
title: Trimmer fades when held upside down
date: 2026-03-07
status: closed                       # open | closed
machine: {kind: string trimmer, engine: two-stroke, carburettor: diaphragm, displacement: 27 cc, age: 4 years, tag: M-7}
complaint: fades away whenever I hold it over the hedge
symptoms: [dies when tilted]
absent: [fuel leak]                  # looked for and not there
history: {stored: 4 months with fuel, tried before: [replace spark plug]}
steps:                               # in the order they happened
  - check: fuel age and smell
    found: fresh
  - check: fuel line
    found: split at the tank grommet
    verdict: bad                     # ok | bad | unsure
  - check: cranking compression
    found: 115 psi (793 kPa)
    verdict: ok
  - set: low-speed screw             # a setting: as found, as left
    from: 3/4 turn
    to: 1 turn
    for: [dies when tilted]
    result: no change
  - do: [replace fuel line, replace fuel filter]
    for: [dies when tilted]
    result: cured                    # cured | better | no change | worse | not tested
    parts: 8.40
    minutes: 30
causes: [{fault: fuel line cracked, explains: [dies when tilted]}]
proof: [restarted hot three times, ran ten minutes upside down]
outcome: fixed
followups: [{date: 2026-05-09, status: holding}]   # holding | came back | unknown
advice: [drain the tank before winter]
comeback of: 25-031-trimmer-fades
private: {owner: Invented Name, phone: "000"}
---
Free Markdown: what was seen and heard, doubts.
"""
"""A case file in the form of the documentation, with almost every field."""


def text(extra: str = "", body: str = "") -> str:
    """A case file with the required fields, `extra` lines of front matter from line 6 on, and a body."""
    return f"---\n{NEEDED}{extra}\n---\n{body}" if extra else f"---\n{NEEDED}---\n{body}"


def reading(extra: str = "", body: str = "", replacing: Mapping[str, str] | None = None) -> Reading:
    """What reading such a file gives, after the texts in `replacing` were put in the place of others."""
    content = text(extra, body)
    for old, new in (replacing or {}).items():
        assert old in content
        content = content.replace(old, new)
    return read(content.encode(), "26-001-saw", "x.md")


def case_of(extra: str = "", body: str = "", replacing: Mapping[str, str] | None = None) -> Case:
    """The case that such a file holds; the file must be without errors."""
    result = reading(extra, body, replacing)
    assert result.case is not None, [str(problem) for problem in result.problems]
    return result.case


def spot(problem: Problem) -> tuple[str, int, int]:
    """Code, line and column of a problem."""
    return problem.code, problem.place.line, problem.place.column


def spots(problems: Sequence[Problem]) -> list[tuple[str, int, int]]:
    return [spot(problem) for problem in problems]


def full_case() -> Case:
    """A case that uses every field there is."""
    dies = "dies when tilted"
    return Case(
        id="26-014-saw-dies-tilted",
        title="Saw dies when tipped on its side",
        date=date(2026, 4, 18),
        machine=Machine(
            kind="chainsaw",
            engine="two-stroke",
            carburettor="diaphragm",
            displacement="45 cc",
            age="6 years",
            start="rope",
            make="Invented",
            model="I-45",
            tag="M-31",
        ),
        complaint="cuts out whenever I roll it over",
        status="closed",
        symptoms=(dies, "hard to start"),
        absent=("fuel leak", "no spark"),
        history=History("5 months with fuel", "pump, 95", "firewood", ("replace spark plug",), "bought used"),
        steps=(
            Check("fuel line", "split at the grommet", "bad", Decimal(4), "torch needed", date(2026, 4, 19)),
            Setting(
                "low-speed screw",
                "7/8 turn",
                "1 1/8 turns",
                (Effect(dies, "no change"),),
                Decimal("2.5"),
                "put back",
                date(2026, 4, 20),
            ),
            Repair(
                ("replace fuel line", "replace fuel filter"),
                (Effect(dies, "cured"), Effect("hard to start", "better")),
                Decimal("9.50"),
                Decimal(25),
                "pattern",
                "both together",
                date(2026, 4, 21),
            ),
        ),
        causes=(Fault("fuel line cracked", (dies,)), Fault("fuel filter blocked")),
        proof=("ran ten minutes on its side",),
        outcome="partly fixed",
        followups=(Followup(date(2026, 6, 2), "holding"), Followup(date(2026, 8, 2), "came back")),
        advice=("drain the tank before winter",),
        comeback_of="25-031-saw-dies",
        body="What was seen.\n\n---\n\nAnd doubted.",
        private=(("owner", "Invented Name"), ("phone", "000")),
    )


GOOD = text("outcome: declined", "Nothing done.\n").encode()


def fill(folder: Path, *names: str) -> Path:
    """Writes a good case under each of the names."""
    for name in names:
        (folder / name).write_bytes(GOOD)
    return folder


def make_link(path: Path) -> None:
    path.symlink_to(path.parent / "26-002-good.md")


def make_loop(path: Path) -> None:
    path.symlink_to(path)


def make_way_out(path: Path) -> None:
    path.symlink_to("/etc/hostname")


def make_socket(path: Path) -> None:
    here = os.getcwd()
    os.chdir(path.parent)  # the name of a socket may be only about 100 characters long
    try:
        with socket.socket(socket.AF_UNIX) as made:
            made.bind(path.name)
    finally:
        os.chdir(here)


SPECIAL = [
    (make_link, "link"),
    (make_loop, "link"),
    (make_way_out, "link"),
    (os.mkfifo, "not a regular file"),
    (make_socket, "not a regular file"),
    (os.mkdir, "directory"),
]


@contextmanager
def within(seconds: int) -> Iterator[None]:
    """Fails instead of waiting for ever, for what must never block."""

    def late(_signal: int, _frame: FrameType | None) -> None:
        raise AssertionError(f"still waiting after {seconds} s")  # no OSError: the code under test may catch those

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def shared_data(name: str) -> Path:
    """A file of the data that is not part of the project; skips the test where it is missing."""
    root = Path(__file__).resolve().parents[1].parent / "shared" / "data"
    file = Path(os.environ.get("CASEBASE_SHARED", root)) / name
    if not file.exists():
        pytest.skip(f"{file} is not there; set CASEBASE_SHARED to the folder of the outside data")
    return file
