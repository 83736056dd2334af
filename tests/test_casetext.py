"""A case to text and back: the same case, whatever the words in it."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import get_args

import pytest
import yaml
from helpers import full_case
from hypothesis import given
from hypothesis import settings as run
from hypothesis import strategies as st

from casebase.problems import errors
from casebase.record import case as kinds
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
    Step,
)
from casebase.record.casefile import read
from casebase.record.casetext import scalar, write, write_step

NASTY = [
    "no", "012", "12:30", "1.10", "~", "null", "true", "2026-02-31", "- a", "a: b", "a:b", "a #b", "#a", "a #", "?",
    "? a", "'", '"', "it's", '"a" b', "\\", "\\n", "a\\", "{", "}", "{a: b}", "[a]", "a, b", ",", "*a", "&a", "!t",
    "|", ">", "|-", "%", "@a", "`a`", "<<", "=", ":", "-", "--", "---", "...", "<<<<<<< HEAD", ">>>>>>>", "\x00",
    "\x07a", "\x1b[31m", "\x7f", "\x9b", "a\u202eb", "\ufeffa", "a\ufeff", "\ufffe", "\U000e0041", "\U0001f600",
    "\u00adx", "\u200b", "É", "×", "é\u0301", "中文", "x" * 300, "[/]", "[link=a]b", "=1+1", "../x", "$(a)", "%s",
    "{0}", "!!python/object:a",
]  # fmt: skip


def folded(text: str) -> str:
    """As reading leaves a text: white space in one piece."""
    return " ".join(text.split())


any_text = st.text(st.characters(exclude_categories=["Cs"]), max_size=30).map(folded)
words = st.sampled_from(NASTY) | any_text.map(lambda text: text or "x")
maybe = st.just("") | words
lists = st.lists(words, max_size=3).map(tuple)
days = st.dates(date(1, 1, 1))
maybe_days = st.none() | days
amounts = st.none() | st.decimals(0, 999_999_999, places=2) | st.integers(0, 999).map(Decimal)
results = st.sampled_from(get_args(kinds.Result))


def body_of(lines: list[str]) -> str:
    """A body as a file can hold it: without NUL, the marks of a merge, and carriage returns at the ends of lines."""
    kept = [line.rstrip("\r") for text in lines for line in text.replace("\x00", "").split("\n")]
    return "\n".join(line for line in kept if not re.match(r"(<{7}|>{7})( |$)", line)).strip("\r\n")


bodies = st.lists(st.text(st.characters(exclude_categories=["Cs"])) | st.sampled_from(NASTY), max_size=5).map(body_of)


@st.composite
def effects(draw: st.DrawFn, symptoms: tuple[str, ...]) -> tuple[Effect, ...]:
    """Effects in one of the forms a file can say them in."""
    named = draw(st.lists(words, max_size=3, unique=True))
    if draw(st.booleans()):
        return tuple(Effect(symptom, draw(results)) for symptom in named)
    result = draw(results)
    targets = tuple(named) or (symptoms if len(symptoms) == 1 else ("",))
    return tuple(Effect(symptom, result) for symptom in targets)


@st.composite
def steps(draw: st.DrawFn, symptoms: tuple[str, ...]) -> Step:
    kind = draw(st.sampled_from([Check, Setting, Repair]))
    if kind is Check:
        verdict = draw(st.none() | st.sampled_from(get_args(kinds.Verdict)))
        return Check(draw(words), draw(maybe), verdict, draw(amounts), draw(maybe), draw(maybe_days))
    effect = draw(effects(symptoms))
    if kind is Setting:
        return Setting(draw(words), draw(maybe), draw(maybe), effect, draw(amounts), draw(maybe), draw(maybe_days))
    actions = tuple(draw(st.lists(words, min_size=1, max_size=3)))
    source = draw(st.none() | st.sampled_from(get_args(kinds.Source)))
    return Repair(actions, effect, draw(amounts), draw(amounts), source, draw(maybe), draw(maybe_days))


@st.composite
def cases(draw: st.DrawFn) -> Case:
    symptoms = draw(lists)
    return Case(
        id="26-001-random",
        title=draw(words),
        date=draw(days),
        machine=Machine(draw(words), *(draw(maybe) for _ in range(8))),
        complaint=draw(words),
        status=draw(st.sampled_from(get_args(kinds.Status))),
        symptoms=symptoms,
        absent=draw(lists),
        history=History(draw(maybe), draw(maybe), draw(maybe), draw(lists), draw(maybe)),
        steps=tuple(draw(st.lists(steps(symptoms), max_size=3))),
        causes=tuple(draw(st.lists(st.builds(Fault, words, lists), max_size=2))),
        proof=draw(lists),
        outcome=draw(st.none() | st.sampled_from(get_args(kinds.Outcome))),
        followups=tuple(
            draw(st.lists(st.builds(Followup, days, st.sampled_from(get_args(kinds.FollowupStatus))), max_size=2))
        ),
        advice=draw(lists),
        comeback_of=draw(maybe),
        body=draw(bodies),
        private=tuple(draw(st.dictionaries(maybe, maybe, max_size=3)).items()),
    )


@run(max_examples=300)
@given(cases())
def test_a_case_written_and_read_is_the_same_case(case: Case) -> None:
    text = write(case)
    for data in (text.encode(), text.replace("\n", "\r\n").encode(), b"\xef\xbb\xbf" + text.encode()):
        result = read(data, case.id)
        assert errors(result.problems) == []
        assert result.case == case


@pytest.mark.parametrize("text", [*NASTY, "", "plain words", "1 1/8 turns", "a-b", "a?"])
def test_a_nasty_text_survives_in_every_kind_of_place(text: str) -> None:
    before = full_case()
    case = replace(
        before,
        title=text or "t",
        complaint=text or "c",
        symptoms=(text or "s", "other"),
        private=((text, text),),
        history=History(tried_before=(text or "x", "y"), note=text),
        steps=(Check(text or "c", text, note=text), Repair((text or "a", "b"), (Effect(text or "s", "cured"),))),
        causes=(Fault(text or "f", (text or "s",)),),
        comeback_of=text,
    )
    assert read(write(case).encode(), case.id).case == case


@pytest.mark.parametrize("text", [*NASTY, ""])
def test_other_readers_of_yaml_see_the_same_text(text: str) -> None:
    loaded = yaml.load(f"a: [{scalar(text)}]", Loader=yaml.BaseLoader)
    assert loaded == {"a": [text]}


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("plain words", "plain words"),
        ("1 1/8 turns", "1 1/8 turns"),
        ("no", "no"),
        ("a: b", '"a: b"'),
        ("", '""'),
        (" a", '" a"'),
        ("a ", '"a "'),
        ("a\u202eb", '"a\\U0000202eb"'),
        ("a\x07", '"a\\u0007"'),
        ("a\x7f\u202e", '"a\\U0000007f\\U0000202e"'),
        ("é'", '"é\'"'),
    ],
)
def test_quotes_stand_only_where_they_are_needed(text: str, written: str) -> None:
    assert scalar(text) == written


def test_half_a_character_is_left_for_the_save_to_refuse() -> None:
    with pytest.raises(UnicodeEncodeError):
        write(replace(full_case(), title="a\udcff")).encode()


def test_a_full_case_is_written_in_the_order_of_the_format() -> None:
    case = full_case()
    text = write(case)
    assert read(text.encode(), case.id).case == case
    keys = re.findall(r"^([a-z][a-z ]+):", text.split("\n---\n")[0], re.MULTILINE)
    assert keys == [
        "title", "date", "status", "machine", "complaint", "symptoms", "absent", "history", "steps", "causes", "proof",
        "outcome", "followups", "advice", "comeback of", "private",
    ]  # fmt: skip
    assert text.endswith("\nAnd doubted.\n")


def test_a_stub_is_written_without_empty_fields() -> None:
    stub = Case("26-001-x", "T", date(2026, 4, 18), Machine("saw"), "c", status="open")
    assert write(stub) == "---\ntitle: T\ndate: 2026-04-18\nstatus: open\nmachine: {kind: saw}\ncomplaint: c\n---\n"


@pytest.mark.parametrize(
    ("step", "lines"),
    [
        (Check("fuel line"), ["  - check: fuel line"]),
        (
            Check("fuel line", "split", "bad", Decimal(4), "n", date(2026, 4, 19)),
            ["  - check: fuel line", "    found: split", "    verdict: bad", "    minutes: 4", "    note: n",
             "    date: 2026-04-19"],
        ),
        (
            Setting("gap", "0.5 mm", "0.3 mm", (Effect("a", "cured"), Effect("b", "cured"))),
            ["  - set: gap", "    from: 0.5 mm", "    to: 0.3 mm", "    for: [a, b]", "    result: cured"],
        ),
        (Setting("gap", effects=(Effect("", "worse"),)), ["  - set: gap", "    result: worse"]),
        (
            Repair(("x", "y"), (Effect("a", "cured"), Effect("b", "better")), Decimal("9.50"), source="maker's"),
            ["  - do: [x, y]", "    result: {a: cured, b: better}", "    parts: 9.50", '    source: "maker\'s"'],
        ),
        (Repair(("x",)), ["  - do: x"]),
    ],
)  # fmt: skip
def test_a_step_is_written_with_what_is_known_of_it(step: Step, lines: list[str]) -> None:
    assert write_step(step) == lines


@pytest.mark.parametrize(
    ("amount", "written"),
    [("1E+2", "100"), ("9.50", "9.50"), ("0", "0"), ("1E-6", "0.000001"), ("123456789.123456", "123456789.123456")],
)
def test_amounts_are_written_as_plain_numbers(amount: str, written: str) -> None:
    case = replace(full_case(), steps=(Repair(("x",), parts=Decimal(amount)),))
    assert f"parts: {written}\n" in write(case)
    assert read(write(case).encode(), case.id).case == case


def test_a_very_long_name_of_a_symptom_can_have_its_own_result() -> None:
    long = "x " * 600 + "y"
    case = replace(full_case(), steps=(Repair(("x",), (Effect(long, "cured"), Effect("b", "worse"))),))
    assert read(write(case).encode(), case.id).case == case
