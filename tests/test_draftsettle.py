"""Unsure entries of a drafted text settled one by one: only that entry changes, and the file still reads."""

from __future__ import annotations

import copy
import random
from collections.abc import Iterator
from datetime import date
from functools import cache
from typing import Any, Literal

import pytest
import yaml
from hypothesis import assume, given
from hypothesis import strategies as st
from small_folders import DATA, lexicon

from casebase.problems import Refused, errors
from casebase.record.case import Case
from casebase.record.casefile import read
from casebase.retain.draft import draft
from casebase.retain.draftfile import as_file
from casebase.retain.draftsettle import Unsure, settle, unsure_in

STORIES = sorted(path.relative_to(DATA).with_suffix("").as_posix() for folder in ("stories", "stories_fresh") for path in (DATA / folder).glob("*.txt"))
DAY = date(2026, 11, 25)
HOW: tuple[Literal["right", "out"], ...] = ("right", "out")


@cache
def text_of(story: str) -> str:
    return as_file(draft((DATA / f"{story}.txt").read_text(encoding="utf-8"), lexicon()), DAY)


def case_of(text: str) -> Case:
    reading = read(text.encode(), "26-001-x")
    assert reading.case is not None, reading.problems
    return reading.case


def front(text: str) -> Any:
    """The front matter as another reader of YAML has it."""
    return yaml.load(text.split("\n---\n")[0].removeprefix("\ufeff").removeprefix("---"), yaml.BaseLoader)


def lacking(values: Any, way: tuple[str | int, ...]) -> Any:
    """Values without the one at `way` and without what that leaves empty."""
    values = copy.deepcopy(values)
    for length in range(len(way), 0, -1):
        inner = values
        for key in way[:length - 1]:
            inner = inner[key]
        if length == len(way) or not inner[way[length - 1]]:
            del inner[way[length - 1]]
    return values


def words(text: str) -> list[tuple[str, str, str]]:
    return [(one.entry, one.why, one.sentence) for one in unsure_in(text)]


def is_cut_from(short: str, long: str) -> bool:
    """Whether nothing but taking characters away makes `long` into `short`."""
    left: Iterator[str] = iter(long)
    return all(char in left for char in short)


# --- all stories ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("story", STORIES)
def test_every_remark_of_a_draft_is_tied_to_its_entry(story: str) -> None:
    notes = draft((DATA / f"{story}.txt").read_text(encoding="utf-8"), lexicon())
    found = unsure_in(text_of(story))
    assert len(found) == notes.unsure
    assert all(one.way and one.entry and one.field and one.why for one in found)
    assert all(one.sentence in " ".join(notes.text.split()) for one in found)
    steps = [one.way[1] for one in found if one.way[0] == "steps"]
    assert steps == [number for number, step in enumerate(notes.steps) if step.doubts]
    singles = [entry.value for entry in (*notes.symptoms, *notes.absent, *notes.proof, *notes.advice) if not entry.sure]
    assert [one.entry for one in found if one.way[0] in ("symptoms", "absent", "proof", "advice")] == singles
    assert [one.entry for one in found if one.way[0] == "causes"] == [cause.fault.fault for cause in notes.causes if cause.doubt]


@pytest.mark.parametrize("story", STORIES)
def test_what_is_right_loses_its_remark_and_nothing_else(story: str) -> None:
    text = text_of(story)
    for one in unsure_in(text):
        after = settle(text, one.mark, "right")
        assert case_of(after) == case_of(text)
        gone = [line for line in text.split("\n") if line.lstrip().startswith("# unsure") and line in text[one.start:one.end]]
        assert len(gone) == 1 and text.replace(f"{gone[0]}\n", "", 1) == after
        assert len(unsure_in(after)) == len(unsure_in(text)) - 1


@pytest.mark.parametrize("story", STORIES)
def test_what_is_left_out_goes_alone(story: str) -> None:
    text = text_of(story)
    for one in unsure_in(text):
        if one.needed:
            with pytest.raises(Refused):
                settle(text, one.mark, "out")
            continue
        after = settle(text, one.mark, "out")
        assert not errors(read(after.encode(), "26-001-x").problems)
        assert front(after) == lacking(front(text), one.way)
        assert words(after) == [said for said in words(text) if said != (one.entry, one.why, one.sentence)]
        assert text.partition("\n---\n")[2] == after.partition("\n---\n")[2]
        assert is_cut_from(after, text)
        lines = after.split("\n")
        assert sum(line not in text.split("\n") for line in lines) <= 1  # a list in a line is the most that looks different


@pytest.mark.parametrize("story", STORIES)
def test_settled_in_any_order_nothing_is_left_unsure(story: str) -> None:
    chance = random.Random(story)
    text, meant = text_of(story), front(text_of(story))
    while left := unsure_in(text):
        one = chance.choice(left)
        how = "right" if one.needed else chance.choice(HOW)
        text = settle(text, one.mark, how)
        meant = lacking(meant, one.way) if how == "out" else meant
        assert len(unsure_in(text)) == len(left) - 1
        assert front(text) == meant
    assert "# unsure" not in text.partition("\n---\n")[0]
    case_of(text)


# --- texts a person changed -------------------------------------------------------------------------------------------

HEAD = "---\ntitle: A job\ndate: 2026-11-25\nmachine: {kind: chainsaw}\ncomplaint: dead\n"
REMARK = '# unsure: {} ("He said so.")\n'


def only(text: str) -> Unsure:
    (one,) = unsure_in(text)
    return one


@pytest.mark.parametrize(
    ("fields", "rest"),
    [
        (REMARK.format("a: why") + "symptoms: [a, b, c]\n", "symptoms: [b, c]\n"),
        (REMARK.format("b: why") + "symptoms: [a, b, c]\n", "symptoms: [a, c]\n"),
        (REMARK.format("c: why") + "symptoms:   [ a , b ,c ]  # mine\n", "symptoms:   [ a , b ]  # mine\n"),
        (REMARK.format("a, b: c: why") + 'symptoms: ["a, b: c", a]\n', "symptoms: [a]\n"),
        (REMARK.format("a: why") + "symptoms: [a]\nabsent: [b]\n", "absent: [b]\n"),
        (REMARK.format("a: why") + "symptoms: a\nabsent: [b]\n", "absent: [b]\n"),
        ("symptoms:\n  - a\n  " + REMARK.format("b: why") + "  - b  # so\n\n  # mine\n  - c\n", "symptoms:\n  - a\n\n  # mine\n  - c\n"),
        ("symptoms:\n# mine\n  " + REMARK.format("b: why") + "  - b\nabsent: [c]\n", "# mine\nabsent: [c]\n"),
        (REMARK.format("fixed: why") + "outcome: fixed   # said so\nadvice: [x]\n", "advice: [x]\n"),
        (REMARK.format("two years: why") + "history: {stored: two years, note: x}\n", "history: {note: x}\n"),
        (REMARK.format("x: why") + "history: {stored: two years, note: x}\n", "history: {stored: two years}\n"),
        (REMARK.format("x: why") + 'history: {stored: y, "tried before": [x]}\n', "history: {stored: y}\n"),
        (REMARK.format("x: why") + "history: {tried before: [w, x]}\n", "history: {tried before: [w]}\n"),
        (REMARK.format("x: why") + "history: {note: x}\n", ""),
        (REMARK.format("x: why") + "history:\n  # mine\n  note: x\n", "  # mine\n"),
        ("history:\n  stored: y\n  " + REMARK.format("why") + "  note: >-\n    a # b\n\n    c\nproof: [z]\n", "history:\n  stored: y\nproof: [z]\n"),
        (REMARK.format("f: why") + "causes:\n  - {fault: f, explains: [a]}\n  - {fault: g}\n", "causes:\n  - {fault: g}\n"),
        (REMARK.format("g: why") + "causes:\n- fault: f\n- fault: g\n  explains: a\n", "causes:\n- fault: f\n"),
        (REMARK.format("f: why") + "causes: [{fault: f}, {fault: g}]\n", "causes: [{fault: g}]\n"),
        ("steps:\n  " + REMARK.format("why") + "  - do: x\n    # note\n    for: [a,\n      b]\n    result: cured\n", ""),
        ("steps:\n  - set: x\n    " + REMARK.format("why") + "    to: 3 mm\n    note: n\n", "steps:\n  - set: x\n    note: n\n"),
        ("steps:\n  - do: y\n  -\n    " + REMARK.format("why") + "    do: x\n    minutes: 3\n", "steps:\n  - do: y\n"),
        ("steps:\n  - {do: y}\n\n  " + REMARK.format("why") + "  # more\n\n  - {do: z,\n     minutes: 4}\n  - check: c\n",
         "steps:\n  - {do: y}\n\n  # more\n\n  - check: c\n"),
        (REMARK.format("a: why") + REMARK.format("a: other") + "symptoms: [a, b]\n", "symptoms: [b]\n"),
    ],
)
def test_ways_of_writing(fields: str, rest: str) -> None:
    text = f"{HEAD}{fields}---\nThe story.\n"
    for line_end in ("\n", "\r\n"):
        for mark in ("", "\ufeff"):
            written, meant = ((mark + words.replace("\n", line_end)) for words in (text, f"{HEAD}{rest}---\nThe story.\n"))
            one = unsure_in(written)[0]
            assert settle(written, one.mark, "out") == meant
            right = settle(written, one.mark, "right")
            assert case_of(right) == case_of(written) and len(written) - len(right) == one.end - one.start


@pytest.mark.parametrize(
    "fields",
    [
        REMARK.format("b: why") + "symptoms: [a]\n",  # it was changed or taken out by hand
        "steps:\n  - do: x\n  " + REMARK.format("why") + "outcome: fixed\n",  # the step below it was
        "outcome: fixed\n" + REMARK.format("why"),
    ],
)
def test_a_remark_on_nothing_can_only_be_taken_away(fields: str) -> None:
    text = f"{HEAD}{fields}---\n"
    one = only(text)
    assert (one.field, one.entry, one.way, one.can_go) == ("", "", (), False)
    with pytest.raises(Refused, match="by hand"):
        settle(text, one.mark, "out")
    assert "unsure" not in settle(text, one.mark, "right")


@pytest.mark.parametrize(
    ("text", "field"),
    [
        (HEAD.replace("machine", REMARK.format("chainsaw: late") + "machine"), "machine: kind"),
        (HEAD.replace("machine", REMARK.format("chainsaw: late") + "machine").replace("saw}", "saw, engine: two-stroke}"), "machine: kind"),
        (HEAD.replace("complaint", REMARK.format("dead: why") + "complaint"), "complaint"),
        (HEAD + "steps:\n  - minutes: 3\n    " + REMARK.format("why") + "    do: x\n", "step 1: do"),
        (HEAD + "causes:\n  - explains: [a]\n    " + REMARK.format("why") + "    fault: x\n", "cause 1: fault"),
    ],
)
def test_what_a_case_needs_stays(text: str, field: str) -> None:
    one = only(f"{text}---\n")
    assert (one.field, one.needed, one.can_go) == (field, True, False)
    with pytest.raises(Refused, match="cannot do without"):
        settle(f"{text}---\n", one.mark, "out")
    assert case_of(settle(f"{text}---\n", one.mark, "right"))


def test_what_was_changed_meanwhile_is_not_taken_for_what_was_seen() -> None:
    text = f"{HEAD}steps:\n  {REMARK.format('why')}  - do: x\n  - do: y\n---\n"
    mark = only(text).mark
    other = text.replace("  - do: x\n", "")
    with pytest.raises(Refused) as refused:
        settle(other, mark, "out")
    assert refused.value.problems[0].code == "changed" and "do: y" in str(refused.value)
    assert settle(other, mark, "right") == f"{HEAD}steps:\n  - do: y\n---\n"  # the entry was mended, then said to be right
    for how in HOW:
        with pytest.raises(Refused, match="no longer stands"):
            settle(f"{HEAD}---\n", mark, how)


def test_the_same_words_twice_are_told_apart_by_their_entries() -> None:
    text = f"{HEAD}steps:\n  {REMARK.format('why')}  - do: x\n  {REMARK.format('why')}  - do: y\n---\n"
    first, second = unsure_in(text)
    assert (first.field, first.entry, second.field, second.entry) == ("step 1", "do: x", "step 2", "do: y")
    assert [step.actions for step in case_of(settle(text, second.mark, "out")).repairs()] == [("x",)]
    assert unsure_in(settle(text, second.mark, "right"))[0].entry == "do: x"
    same = text.replace("do: y", "do: z # z").replace("do: x", "do: y")
    with pytest.raises(Refused, match="no longer stands"):
        settle(same, first.mark, "right")  # two have these words, neither this entry


def test_only_comments_of_the_front_matter_are_remarks() -> None:
    text = HEAD + 'advice:\n  - |\n    a\n    # unsure: b\n  - "x\n    # unsure: y"\n---\n# unsure: no\n'
    assert unsure_in(text) == ()


@pytest.mark.parametrize("text", ["", "x", "---\n", "---\ntitle: [\n---\n", "---\n- a\n---\n", "---\n\tx: y\n---\n", "---\na: *b\n---\n", "\ufeff"])
def test_what_cannot_be_read_is_refused(text: str) -> None:
    assert unsure_in(text) == ()
    with pytest.raises(Refused):
        settle(text, "x.y", "out")


@pytest.mark.parametrize("fields", [
    REMARK.format("b: why") + "symptoms: [a,  # mine\n  b]\n",
    REMARK.format("a: why") + "symptoms: [a\n  # mine\n  , b]\n",
])
def test_what_cannot_be_cut_out_safely_is_left_to_the_person(fields: str) -> None:
    text = f"{HEAD}{fields}---\n"
    with pytest.raises(Refused, match="by hand"):
        settle(text, only(text).mark, "out")
    assert settle(text, only(text).mark, "right")


PIECES = ["symptoms: [a, b]\n", "symptoms:\n", "  - a\n", "- do: x\n", "    to: y\n", "history: {note: a}\n", "# unsure: a: b\n", "  # unsure\n",
          "    # unsure: x\n", "steps:\n", "  - set: z\n", "causes: [{fault: a}]\n", "outcome: fixed\n", "note: |\n", "---\n", "[", '"', "\r\n", "é"]


@given(st.lists(st.sampled_from(PIECES), max_size=14).map("".join))
def test_any_text_is_settled_or_refused(body: str) -> None:
    text = f"{HEAD}{body}\n---\n"
    keys = [line.partition(":")[0] for line in text.splitlines() if line[:1].isalpha()]
    assume(len(keys) == len(set(keys)))  # a key given twice is refused when the file is read; which of the two is meant nobody knows
    for one in unsure_in(text):
        assert len(settle(text, one.mark, "right")) == len(text) - (one.end - one.start)
        try:
            after = settle(text, one.mark, "out")
        except Refused:
            continue
        assert is_cut_from(after, text)
        assert len(unsure_in(after)) < len(unsure_in(text))
        assert front(after.replace("\r\n", "\n")) == lacking(front(text.replace("\r\n", "\n")), one.way)
