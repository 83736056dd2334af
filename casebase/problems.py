"""Everything that can be wrong, as data.

A mistake in a file or in a person's words never raises one at a time: it becomes a `Problem` with its place
and its remedy, gathered beside the result. Only a request that cannot be answered at all raises, and then
it raises `Refused`, which carries problems and which the faces (cli, web) turn into plain sentences.

    Exception
    └── Refused               a person's request cannot be carried out; `.problems` says why and what would do
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from typing import Any, Literal, NamedTuple

Severity = Literal["error", "warning"]


class Place(NamedTuple):
    """A position in a file: `line` and `column` count from 1; 0 means "the file as a whole"."""

    line: int = 0
    column: int = 0


class Problem(NamedTuple):
    """One thing that is wrong, where it is, and what would put it right.

    `code` is stable and meant for programs; `message` and `hint` are sentences for people.
    """

    code: str
    message: str
    hint: str = ""
    file: str = ""
    place: Place = Place()
    field: str = ""
    severity: Severity = "error"

    def __str__(self) -> str:
        where = visible(self.file)
        if self.place.line:
            where += f":{self.place.line}:{self.place.column}"
        parts = [part for part in (where, visible(self.field)) if part]
        text = " ".join(parts) + ": " if parts else ""
        mark = "warning: " if self.severity == "warning" else ""
        return text + mark + visible(self.message) + (f"; {visible(self.hint)}" if self.hint else "")

    def as_json(self) -> dict[str, object]:
        return {
            "file": self.file,
            "line": self.place.line,
            "column": self.place.column,
            "field": self.field,
            "code": self.code,
            "severity": self.severity,
            "message": self.message,
            "hint": self.hint,
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Problem:
        return cls(data["code"], data["message"], data["hint"], data["file"], Place(data["line"], data["column"]),
                   data["field"], data["severity"])


class Refused(Exception):
    """A request that cannot be carried out. `problems` holds at least one reason with its remedy.

    `usage` tells a wrong request (exit code 2) from wrong content (exit code 1).
    """

    def __init__(self, *problems: Problem, usage: bool = True) -> None:
        super().__init__("; ".join(str(problem) for problem in problems))
        self.problems = problems
        self.usage = usage


def refuse(code: str, message: str, hint: str = "", *, field: str = "", file: str = "",
           usage: bool = True) -> Refused:
    """The `Refused` for a single reason; written `raise refuse(...)`."""
    return Refused(Problem(code, message, hint, file=file, field=field), usage=usage)


def errors(problems: Iterable[Problem]) -> list[Problem]:
    """Only the problems that keep a file from being used, without the warnings."""
    return [problem for problem in problems if problem.severity == "error"]


def did_you_mean(word: str, known: Sequence[str]) -> str:
    """A hint naming the nearest known word, or the whole list when it is short, else nothing."""
    near = difflib.get_close_matches(word.casefold(), [k.casefold() for k in known], n=1, cutoff=0.6)
    if near:
        return f'did you mean "{next(k for k in known if k.casefold() == near[0])}"?'
    if 0 < len(known) <= 12:
        return "allowed: " + ", ".join(known)
    return ""


# Bidirectional controls can make a terminal or a page show another text than the file holds.
_BIDI = set(range(0x202A, 0x202F)) | set(range(0x2066, 0x206A)) | {0x200E, 0x200F, 0x061C}


def visible(text: str, *, keep_newlines: bool = False) -> str:
    """`text` with control, bidi and line-separator characters shown escaped, safe for terminal and log."""
    if text.isprintable():
        return text

    def show(char: str) -> str:
        if keep_newlines and char in "\n\t":
            return char
        code = ord(char)
        hidden = (not char.isprintable() and char != " ") or code in _BIDI
        if not hidden or char in "\u00a0\u202f":
            return char
        return f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}" if code < 65536 else f"\\U{code:08x}"

    return "".join(show(char) for char in text)
