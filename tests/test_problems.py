"""Problems as data: how they read, and that hostile text cannot act through them."""

from __future__ import annotations

import json
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.problems import Place, Problem, Refused, did_you_mean, errors, refuse, visible


@pytest.mark.parametrize(
    ("problem", "said"),
    [
        (Problem("c", "is wrong"), "is wrong"),
        (Problem("c", "is wrong", "mend it"), "is wrong; mend it"),
        (Problem("c", "is wrong", file="a.md"), "a.md: is wrong"),
        (Problem("c", "is wrong", file="a.md", place=Place(3, 5)), "a.md:3:5: is wrong"),
        (Problem("c", "is wrong", place=Place(3, 5)), ":3:5: is wrong"),
        (Problem("c", "is wrong", field="title"), "title: is wrong"),
        (
            Problem("c", '"cure" is not a result', 'did you mean "cured"?', "a.md", Place(14, 5), "steps[2].result"),
            'a.md:14:5 steps[2].result: "cure" is not a result; did you mean "cured"?',
        ),
        (Problem("c", "is odd", file="a.md", severity="warning"), "a.md: warning: is odd"),
    ],
)
def test_a_problem_reads_as_place_field_message_and_remedy(problem: Problem, said: str) -> None:
    assert str(problem) == said


def test_no_part_of_a_problem_reaches_a_terminal_raw() -> None:
    evil = "\x1b[31m\n"
    shown = str(Problem("c", evil, evil, evil, Place(1, 1), evil))
    assert shown.isprintable()
    assert shown.count("\\x1b[31m\\x0a") == 4


def test_a_problem_survives_json_with_every_field() -> None:
    problem = Problem("code", "message", "hint", "file\udcff", Place(3, 4), "field", "warning")
    data = json.loads(json.dumps(problem.as_json()))
    assert set(data) == {"file", "line", "column", "field", "code", "severity", "message", "hint"}
    assert Problem.from_json(data) == problem


def test_a_refusal_carries_its_problems_and_says_them_all() -> None:
    first, second = Problem("a", "one", "do x"), Problem("b", "two")
    refused = Refused(first, second, usage=False)
    assert refused.problems == (first, second)
    assert not refused.usage
    assert str(refused) == "one; do x; two"


def test_refuse_makes_a_refusal_of_one_problem() -> None:
    refused = refuse("id", "is bad", "choose another", field="CASE", file="a.md")
    assert refused.problems == (Problem("id", "is bad", "choose another", "a.md", Place(), "CASE"),)
    assert refused.usage


def test_warnings_are_not_errors() -> None:
    error, warning = Problem("a", "x"), Problem("b", "y", severity="warning")
    assert errors([warning, error, warning]) == [error]


@pytest.mark.parametrize(
    ("word", "known", "hint"),
    [
        ("cure", ("cured", "better"), 'did you mean "cured"?'),
        ("CURED", ("Cured",), 'did you mean "Cured"?'),
        ("zzz", ("cured", "better"), "allowed: cured, better"),
        ("zzz", tuple(f"word{n}" for n in range(12)), "allowed: " + ", ".join(f"word{n}" for n in range(12))),
        ("zzz", tuple(f"word{n}" for n in range(13)), ""),
        ("zzz", (), ""),
        ("", ("cured",), "allowed: cured"),
    ],
)
def test_the_hint_names_the_nearest_word_or_a_short_list(word: str, known: tuple[str, ...], hint: str) -> None:
    assert did_you_mean(word, known) == hint


@pytest.mark.parametrize(
    ("char", "shown"),
    [
        ("\x1b", "\\x1b"),
        ("\r", "\\x0d"),
        ("\x9b", "\\x9b"),
        ("\x7f", "\\x7f"),
        ("\u202e", "\\u202e"),
        ("\u2066", "\\u2066"),
        ("\u200f", "\\u200f"),
        ("\u2028", "\\u2028"),
        ("\ufeff", "\\ufeff"),
        ("\udcff", "\\udcff"),
        ("\U000e0041", "\\U000e0041"),
        ("\u00a0", "\u00a0"),
        ("é", "é"),
        ("\U0001f600", "\U0001f600"),
    ],
)
def test_hidden_characters_are_shown_escaped(char: str, shown: str) -> None:
    assert visible(f"a{char}b\x00") == f"a{shown}b\\x00"


def test_line_ends_stay_only_where_asked_for() -> None:
    assert visible("a\n\tb\r") == "a\\x0a\\x09b\\x0d"
    assert visible("a\n\tb\r", keep_newlines=True) == "a\n\tb\\x0d"


@given(st.text())
def test_what_is_shown_never_holds_a_control_character(text: str) -> None:
    shown = visible(text)
    assert not {unicodedata.category(char) for char in shown} & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
