"""Printing for a terminal, a pipe or a file: wrapped lines, sparing colour, never a control character of others.

User text is shown as text: control and bidi characters appear escaped, nothing in it is obeyed as markup.
"""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
from collections.abc import Iterable, Iterator
from typing import TextIO, TypeVar

from casebase.problems import visible

Item = TypeVar("Item")

_STYLES = {"strong": "1", "quiet": "2", "warn": "33", "good": "32", "bad": "31"}
MAX_WIDTH = 100
MIN_WIDTH = 20


class Paper:
    """Writes to one stream. `width` follows the terminal; colour only where a person looks at it."""

    def __init__(self, stream: TextIO | None = None) -> None:
        self.stream = stream or sys.stdout
        self.coloured = self.stream.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"
        self.width = max(MIN_WIDTH, min(MAX_WIDTH, shutil.get_terminal_size((MAX_WIDTH, 24)).columns))

    def style(self, text: str, style: str) -> str:
        """`text` in a style where colour is on. Call it on text that is already visible."""
        return f"\033[{_STYLES[style]}m{text}\033[0m" if self.coloured and style else text

    def line(self, text: str = "", *, indent: int = 0, hang: int = 0, style: str = "") -> None:
        """One paragraph, wrapped to the width; lines after the first are indented by `hang` more."""
        shown = visible(text)
        room = max(MIN_WIDTH // 2, self.width - indent)
        hanging = " " * min(hang, room // 2)
        lines = textwrap.wrap(shown, room, subsequent_indent=hanging, break_on_hyphens=False) or [""]
        for part in lines:
            print(" " * indent + self.style(part, style) if part else "", file=self.stream)

    def heading(self, text: str) -> None:
        print(file=self.stream)
        self.line(text, style="strong")

    def raw(self, text: str) -> None:
        """Text as it is, for JSON and for case files; control characters stay visible by the caller's care."""
        print(text, file=self.stream)


def progress(items: Iterable[Item], total: int, what: str) -> Iterator[Item]:
    """Passes `items` through, drawing a bar on the error stream once the work has lasted a second."""
    import time

    began = shown = time.monotonic()
    drawn = False
    for done, item in enumerate(items):
        now = time.monotonic()
        if now - began > 1 and now - shown > 0.1 and sys.stderr.isatty():
            filled = 30 * done // max(total, 1)
            print(f"\r{what} [{'#' * filled}{'.' * (30 - filled)}] {done:,} of {total:,}", end="", file=sys.stderr)
            shown, drawn = now, True
        yield item
    if drawn:
        print(f"\r{' ' * (len(what) + 60)}\r", end="", file=sys.stderr)
