"""Adding a step to a file: every other byte stays, and a file that was changed meanwhile is left alone."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest
from helpers import EXAMPLE, text
from hypothesis import given
from hypothesis import strategies as st

from casebase.problems import Refused
from casebase.record import edit, folder
from casebase.record.case import Check, Effect, Repair, Setting, Step
from casebase.record.casefile import read
from casebase.record.edit import add_step, with_step

STEPS: list[Step] = [
    Check("spark: tester", "no spark", "bad", Decimal(2), "# dark", date(2026, 4, 19)),
    Setting("low-speed screw", "1 turn", "7/8 turn", (Effect("a", "better"),)),
    Repair(("x", "y"), (Effect("a", "cured"), Effect("b", "worse")), Decimal("9.50"), source="maker's"),
]

ADDED = "  - check: plug\n    found: wet\n"
PLACES = [
    (text(), "complaint: it is dead\n", "steps:\n" + ADDED),
    (text("steps:\n  - check: a"), "  - check: a\n", ADDED),
    (text("steps:\n  - check: a\nproof: [b]"), "  - check: a\n", ADDED),
    (text("steps:\n  - check: a   # remark\n  # more\n\nproof: [b]"), "  # remark\n", ADDED),
    (text("steps:\n- check: a\n  found: 'b'  "), "  found: 'b'  \n", "- check: plug\n  found: wet\n"),
    (text("steps:\n    - {check: a}"), "    - {check: a}\n", "    - check: plug\n      found: wet\n"),
    (text("steps:\n  - do: [a, b]\n    result: {c: cured}"), "    result: {c: cured}\n", ADDED),
    (EXAMPLE, "    minutes: 30\n", ADDED),
]


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize(("before", "after_this", "added"), PLACES)
def test_a_step_is_put_behind_the_last_and_nothing_else_moves(
    tmp_path: Path, before: str, after_this: str, added: str, mark: str, line_end: str
) -> None:
    path = tmp_path / "26-001-a.md"
    assert before.count(after_this) == 1
    path.write_bytes((mark + before.replace("\n", line_end)).encode())
    case = add_step(path, Check("plug", "wet"))
    assert case.steps[-1] == Check("plug", "wet")
    expected = mark + before.replace(after_this, after_this + added)
    assert path.read_bytes() == expected.replace("\n", line_end).encode()


@pytest.mark.parametrize("before", [text("symptoms: [a, b]"), EXAMPLE])
def test_every_kind_of_step_can_be_added_one_after_the_other(tmp_path: Path, before: str) -> None:
    path = tmp_path / "a.md"
    path.write_text(before)
    known = read(before.encode(), "a").case
    assert known is not None
    for step in STEPS:
        case = add_step(path, step)
    assert case.steps == (*known.steps, *STEPS)
    assert read(path.read_bytes(), "a").case == case


@given(
    st.sampled_from([text(), text("steps:\n  - check: a"), EXAMPLE]),
    st.text(max_size=20),
    st.sampled_from(["\n", "\r\n"]),
)
def test_the_body_and_all_other_bytes_stay_whatever_they_are(before: str, body: str, line_end: str) -> None:
    data = before.replace("\n", line_end).encode() + body.encode(errors="replace")
    if read(data, "a").case is None:
        return
    changed = with_step(data, STEPS[0])
    splices = (changed.startswith(data[:at]) and changed.endswith(data[at:]) for at in range(len(data) + 1))
    assert any(splices)
    assert len(changed) > len(data)


@pytest.mark.parametrize(
    ("before", "code"),
    [
        (text("steps: [{check: a}]"), "edit"),
        (text("steps: []"), "edit"),
        (text("steps:"), "edit"),
        (text("titel: x"), "unknown-key"),
        ("", "empty"),
    ],
)
def test_a_file_that_cannot_be_added_to_is_left_alone(tmp_path: Path, before: str, code: str) -> None:
    path = tmp_path / "a.md"
    path.write_text(before)
    with pytest.raises(Refused) as refused:
        add_step(path, Check("plug"))
    (problem,) = refused.value.problems
    assert problem.code == code
    assert problem.hint
    assert not refused.value.usage
    assert path.read_text() == before


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Refused) as refused:
        add_step(tmp_path / "gone.md", Check("plug"))
    assert [problem.code for problem in refused.value.problems] == ["unreadable"]


def test_a_step_that_would_not_come_out_as_meant_is_not_written(tmp_path: Path) -> None:
    path = tmp_path / "a.md"
    path.write_text(text())
    with pytest.raises(Refused) as refused:
        add_step(path, Check("  folded   by reading "))
    assert [problem.code for problem in refused.value.problems] == ["edit"]
    assert path.read_text() == text()


def test_a_file_changed_by_somebody_else_meanwhile_is_left_as_they_left_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.md"
    path.write_text(text())
    theirs = text(body="theirs\n")

    def meanwhile(data: bytes, step: Step, real: Callable[[bytes, Step], bytes] = with_step) -> bytes:
        path.write_text(theirs)
        return real(data, step)

    monkeypatch.setattr(edit, "with_step", meanwhile)
    with pytest.raises(Refused) as refused:
        add_step(path, Check("plug"))
    assert [problem.code for problem in refused.value.problems] == ["changed"]
    assert path.read_text() == theirs
    assert [entry.id for entry in folder.scan(tmp_path).entries] == ["a"]
