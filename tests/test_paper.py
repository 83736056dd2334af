"""Printing: wrapped to the width, colour only for a person, nothing of the text obeyed."""

from __future__ import annotations

import io
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.cli import paper as printing
from casebase.cli.paper import MAX_WIDTH, MIN_WIDTH, Paper, progress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def on_paper(width: str = "100", stream: io.StringIO | None = None) -> Paper:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", width)
        return Paper(stream or io.StringIO())


def told(paper: Paper) -> str:
    assert isinstance(paper.stream, io.StringIO)
    return paper.stream.getvalue()


@pytest.mark.parametrize(
    ("columns", "width"),
    [("80", 80), ("20", 20), ("5", MIN_WIDTH), ("100000", MAX_WIDTH), ("-3", None), ("0", None), ("abc", None)],
)
def test_the_width_follows_the_terminal_within_limits(columns, width):
    got = on_paper(columns).width
    assert got == width if width else MIN_WIDTH <= got <= MAX_WIDTH


def test_a_paragraph_hangs():
    paper = on_paper("30")
    paper.line("Read as   one two three four five six seven", indent=2, hang=10)
    lines = told(paper).splitlines()
    assert lines[0].startswith("  Read as   one")
    assert all(line.startswith(" " * 12) for line in lines[1:])
    assert all(len(line) <= 30 for line in lines)
    assert " ".join(told(paper).split()) == "Read as one two three four five six seven"


def test_an_empty_line_is_empty():
    paper = on_paper()
    paper.line()
    paper.line("", indent=4, style="quiet")
    assert told(paper) == "\n\n"


def test_a_heading_stands_apart():
    paper = on_paper()
    paper.heading("Like this one")
    assert told(paper) == "\nLike this one\n"


@given(st.text(), st.integers(0, 12), st.integers(0, 12), st.sampled_from(["20", "40", "100"]))
def test_no_text_breaks_out(text, indent, hang, columns):
    """Whatever the text: no control character, no line wider than the paper (a single long word is cut)."""
    paper = on_paper(columns)
    paper.line(text, indent=indent, hang=hang)
    assert all(char.isprintable() for line in told(paper).split("\n") for char in line if char not in "\u00a0\u202f")
    assert all(len(line) <= max(paper.width, indent + MIN_WIDTH // 2) for line in told(paper).split("\n"))


@pytest.mark.parametrize(
    "text", ["\x1b[31mred", "\x1b]52;c;QUJD\x07", "\x1b]8;;http://x\x1b\\", "a\rb", "a\u202eb", "\x9b31m"]
)
def test_control_characters_are_shown_escaped(text):
    paper = on_paper(stream=Terminal())
    paper.line(text)
    paper.heading(text)
    assert "\\" in told(paper)
    assert not [
        char for char in told(paper).replace("\033[1m", "").replace("\033[0m", "") if ord(char) < 32 and char != "\n"
    ]


@pytest.mark.parametrize(
    ("stream", "settings", "coloured"),
    [
        (Terminal, {"TERM": "xterm"}, True),
        (Terminal, {"TERM": "xterm", "NO_COLOR": ""}, False),
        (Terminal, {"TERM": "xterm", "NO_COLOR": "1"}, False),
        (Terminal, {"TERM": "dumb"}, False),
        (io.StringIO, {"TERM": "xterm"}, False),
    ],
)
def test_colour_only_where_a_person_looks(monkeypatch, stream, settings, coloured):
    monkeypatch.delenv("NO_COLOR", raising=False)
    for name, value in settings.items():
        monkeypatch.setenv(name, value)
    paper = Paper(stream())
    paper.line("careful", style="warn")
    assert told(paper) == ("\033[33mcareful\033[0m\n" if coloured else "careful\n")


def test_user_text_is_no_markup():
    paper = on_paper()
    paper.line("[bold]x[/] [link=http://x]y[/link] {z} %s")
    assert told(paper) == "[bold]x[/] [link=http://x]y[/link] {z} %s\n"


def test_it_writes_to_the_output_of_the_moment(capsys):
    Paper().line("here")
    assert capsys.readouterr().out == "here\n"


# The progress bar.


def watched(monkeypatch: pytest.MonkeyPatch, stream: io.StringIO, step: float) -> tuple[list[int], str]:
    clock = iter(range(1000))
    monkeypatch.setattr("time.monotonic", lambda: next(clock) * step)
    monkeypatch.setattr(sys, "stderr", stream)
    return list(progress(range(20), 20, "reading cases")), stream.getvalue()


def test_progress_draws_on_work_longer_than_a_second(monkeypatch):
    items, drawn = watched(monkeypatch, Terminal(), 0.5)
    assert items == list(range(20))
    assert "reading cases [" in drawn
    assert "15 of 20" in drawn
    assert drawn.endswith("\r")


def test_short_work_draws_nothing(monkeypatch):
    assert watched(monkeypatch, Terminal(), 0.01) == (list(range(20)), "")


def test_progress_draws_nothing_into_a_file(monkeypatch):
    assert watched(monkeypatch, io.StringIO(), 0.5) == (list(range(20)), "")


def test_progress_of_nothing():
    assert list(printing.progress([], 0, "x")) == []
