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
from casebase.record.case import Check, Effect, Fault, Repair, Setting, Step
from casebase.record.casefile import read
from casebase.record.edit import Changes, add_step, alone, change, with_changes, with_step

STEPS: list[Step] = [
    Check("spark: tester", "no spark", "bad", Decimal(2), "# dark", date(2026, 4, 19)),
    Setting("low-speed screw", "1 turn", "7/8 turn", (Effect("a", "better"),)),
    Repair(("x", "y"), (Effect("a", "cured"), Effect("b", "worse")), Decimal("9.50"), source="maker's"),
]

ADDED = "  - check: plug\n    found: wet\n"
PLACES = [
    (text(), "complaint: it is dead\n", "steps:\n" + ADDED),
    (text("steps:"), "steps:\n", ADDED),
    (text("steps:   # none\nproof: [b]"), "# none\n", ADDED),
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
        (text("steps: {check: a}"), "shape"),
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


ALL = Changes(
    texts={"status": "closed", "outcome": "fixed", "machine.tag": "T-9", "comeback of": "25-001-x", "title": "A: b"},
    added={"proof": ("ran ten minutes, hot",), "advice": ("x",), "symptoms": ("surges",)},
    steps=(Check("plug", "wet"),),
    faults=(Fault("fuel line cracked", ("a",)), Fault("stale fuel")),
    effects={1: (Effect("a", "cured"),), 2: (Effect("a", "cured"), Effect("b", "worse"))},
)
FILES = [
    "status: open # x\nsymptoms: [a, b]\nsteps:\n  - check: z\n  - do: y   # hm\n    minutes: 3\n  - {do: [y, z], minutes: 4}",
    "symptoms:\n  - a\n  - b # c\nsteps: # s\n- check: z\n\n- do: y\n  note: |\n    hello\n- do: q\n  for: [a, b]\n"
    "  result: better\n  # end\nproof: one, two\nadvice: []\ncauses: []\n\nprivate: {owner: x}",
    "symptoms: [a, b,]\nsteps:\n  - check: z\n  - set: y\n    from: 1 turn\n  - do: q\n    result:\ncauses: [{fault: z}]"
    "\nproof:   # none\nadvice:\n  - keep it dry\n",
    "symptoms: [a, b]\nsteps:\n  - check: z\n  - do: y\n  - do: x\ncauses:\n  - fault: z\n    explains: [a]\nadvice: 'dry'",
]


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("front", FILES)
def test_many_changes_at_once_move_nothing_else(tmp_path: Path, front: str, line_end: str) -> None:
    path = tmp_path / "26-001-a.md"
    data = text(front, "Told.\n---\n").replace("\n", line_end).encode()
    before = read(data, path.stem).case
    assert before is not None
    path.write_bytes(data)
    after = change(path, ALL, data)
    assert after == ALL.of(before)
    assert read(path.read_bytes(), path.stem).case == after
    rest = iter(path.read_bytes().splitlines())
    gone = (b"title:", b"machine:", b"status: open", b"symptoms:", b"proof:", b"advice:", b"causes: [", b"  - {do")
    kept = [line for line in data.splitlines() if not line.startswith(gone) and b"result:" not in line]
    assert all(line in rest for line in kept)


def test_a_field_comes_where_a_person_would_put_it(tmp_path: Path) -> None:
    path = tmp_path / "a.md"
    path.write_text(text("symptoms: [a]\nadvice: [x]\nprivate: {owner: y}"))
    change(path, Changes(texts={"outcome": "fixed", "status": "closed"}, faults=(Fault("b"),)))
    keys = [line.split(":")[0] for line in path.read_text().split("\n")]
    assert keys == ["---", "title", "date", "status", "machine", "complaint", "symptoms", "causes", "  - {fault", "outcome",
                    "advice", "private", "---", ""]  # fmt: skip


@pytest.mark.parametrize(
    ("front", "changes"),
    [
        ("history:\n  tried before:\n    - x", Changes(texts={"machine": "x"})),
        ("symptoms: [a]\nsteps:\n  - {do: x, result: cured}", Changes(added={"symptoms": ("b",)})),
        ("", Changes(texts={"outcome": "fixd"})),
        ("", Changes(texts={"title": " two  blanks"})),
        ("proof: {a: b}", Changes(added={"proof": ("c",)})),
    ],
)
def test_what_would_not_come_out_as_meant_is_not_written(tmp_path: Path, front: str, changes: Changes) -> None:
    path = tmp_path / "a.md"
    path.write_text(text(front))
    before = path.read_bytes()
    with pytest.raises(Refused):
        change(path, changes)
    assert path.read_bytes() == before


def test_changes_thought_out_on_other_bytes_are_not_made(tmp_path: Path) -> None:
    path = tmp_path / "a.md"
    path.write_text(text())
    with pytest.raises(Refused, match="changed by somebody else"):
        change(path, Changes(texts={"title": "b"}), b"other")
    assert path.read_text() == text()
    assert with_changes(path.read_bytes(), Changes()) == path.read_bytes()


def test_a_folder_held_by_another_is_waited_for_and_then_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(edit, "PATIENCE", 0.05)
    (tmp_path / "a.md").write_text(text())
    with alone(tmp_path), pytest.raises(Refused, match="being written to"):
        add_step(tmp_path / "a.md", Check("plug"))
    add_step(tmp_path / "a.md", Check("plug"))
    with pytest.raises(Refused, match="cannot be opened"), alone(tmp_path / "gone"):
        pass
