"""open, log, finish and edit as commands: what they print, what they write, and that a file is safe with them."""

from __future__ import annotations

import io
import json
import os
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from commands import Done, casebase, copy_of_demo
from helpers import text
from hypothesis import given, settings
from hypothesis import strategies as st

from casebase.record.casefile import read
from casebase.record.edit import add_step
from casebase.record.folder import load

JOB = "26-022-snow-thrower-early-bird"
SECRET = "private: {owner: Zyxwvut Qponmlk, phone: \"5550001\"}"


pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture(autouse=True)
def _here(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("CASEBASE_DIR", "VISUAL", "EDITOR"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The open job of the demo, with a private part and a remark, and a few closed ones."""
    place = copy_of_demo(tmp_path, 6)
    source = (Path(__file__).parents[1] / "cases" / f"{JOB}.md").read_text()
    (place / f"{JOB}.md").write_text(source.replace("steps:\n", f"{SECRET}\nsteps:   # as they came\n"))
    return place


@pytest.fixture
def do(folder: Path) -> Callable[..., Done]:
    return lambda *args: casebase(*args, "--cases", str(folder))


def splices_only(before: bytes, after: bytes) -> bool:
    """Whether every line of `before` is in `after`, in its order."""
    rest = iter(after.splitlines(keepends=True))
    return all(line in rest for line in before.splitlines(keepends=True))


def test_open_writes_the_job_and_answers_at_once(folder: Path, do: Callable[..., Done]) -> None:
    done = do("open", "runs only on choke, leaks at bulb", "--machine", "string trimmer, 26 cc", "--tag", "T-77",
              "--date", "2026-12-01")  # fmt: skip
    assert (done.code, done.err) == (0, "")
    told = " ".join(done.out.split())
    for part in ("Opened [26-023]", "Read as runs only on choke", "Like this one", "Check next", "casebase log 26-023"):
        assert part in told
    case = load(folder / "26-023-trimmer-runs-only-choke-leaks-bulb.md").case
    assert case is not None
    assert (case.status, case.machine.tag, case.date.isoformat()) == ("open", "T-77", "2026-12-01")
    again = do("open", "leaks at bulb, runs only on choke", "--tag", "T-77", "--date", "2026-12-03", "--json")
    assert again.json["case"]["number"] == "26-024"
    assert again.json["find"]["neighbours"]
    assert again.json["next"]["proposals"]
    assert "2 days before: [26-023]" in " ".join(again.json["notes"])


@pytest.mark.parametrize("args", [("open", "will not start"), ("open", "dead", "--machine", "saw", "--date", "soon"),
                                  ("log", "nothing such", "fuel line ok"), ("log", "26-022", "new plug, cured"),
                                  ("log", "26-022", "plug gap 25"), ("log", "26-022"), ("finish", "no such"),
                                  ("finish", "26-022", "--outcome", "fixd"), ("finish", "24-001"),
                                  ("edit", "26-022"), ("edit", "26-022", "--field", "title"),
                                  ("edit", "26-022", "--field", "titel", "--value", "x")])  # fmt: skip
def test_what_is_refused_writes_nothing(
    folder: Path, do: Callable[..., Done], monkeypatch: pytest.MonkeyPatch, args: tuple[str, ...]
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    done = do(*args)
    assert done.code == 2
    assert ";" in done.err.splitlines()[-1]
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    assert do(*args, "--json").out == ""


def test_log_shows_how_it_read_the_line_and_adds_only_the_step(folder: Path, do: Callable[..., Done]) -> None:
    path = folder / f"{JOB}.md"
    before = path.read_bytes()
    done = do("log", "22", "low screw was 7/8 turn out, now 1 1/8, surges no change")
    assert (done.code, done.err) == (0, "")
    assert 'set low-speed screw ("low screw")' in " ".join(done.out.split())
    after = path.read_bytes()
    added = b"  - set: low-speed screw\n    from: 7/8 turn\n    to: 1 1/8 turns\n    for: [surges]\n    result: no change\n"
    assert after.replace(added, b"") == before
    told = do("log", "22", "--check", "fuel hose", "--found", "sound", "--verdict", "ok", "--minutes", "3", "--json").json
    assert told["step"] == 5
    assert [piece["value"] for piece in told["read"]] == ["fuel line", "sound", "ok", "3"]


def test_a_refused_line_says_what_was_read_of_it(do: Callable[..., Done]) -> None:
    done = do("log", "26-022", "fitted new fuel line, cured, 25 min")
    assert "replace fuel line" in done.err
    assert '--for "surges" or --for "starts then dies"' in done.err


FINISH = ("--cause", "stale fuel: starts then dies", "--outcome", "partly fixed", "--proof", "ran ten minutes")


def test_finish_closes_and_lints(folder: Path, do: Callable[..., Done]) -> None:
    before = (folder / f"{JOB}.md").read_bytes()
    done = do("finish", "26-022", *FINISH, "--safety", "ok", "--advice", "drain it")
    assert (done.code, done.err) == (0, "")
    assert "[26-022] is closed: partly fixed" in done.out
    after = (folder / f"{JOB}.md").read_bytes()
    assert splices_only(before.replace(b"status: open\n", b""), after)
    assert b"steps:   # as they came\n" in after
    assert b"status: closed\n" in after
    assert do("find", "surges and stops", "--json").json["cases_in_folder"] == 7
    assert do("lint").code == 0


def test_finish_asks_a_person(do: Callable[..., Done], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("\nstale fuel: starts then dies\nran ten minutes\nok\nnot done\n\n"))
    done = do("finish", "26-022")
    assert (done.code, done.err) == (0, "")
    assert "Outcome?" in done.out
    assert "stop switch works: not done before hand-over" in " ".join(done.out.split())
    monkeypatch.setattr(sys, "stdin", io.StringIO("x\n"))
    assert do("finish", "26-022").code == 2


def test_finish_in_json_asks_nothing(do: Callable[..., Done], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", None)
    assert do("finish", "26-022", "--json").code == 2
    told = do("finish", "26-022", *FINISH, "--safety", "not done", "--json").json
    assert told["case"]["status"] == "closed"
    assert told["problems"] == []
    assert any("not done" in remark for remark in told["remarks"])


@pytest.mark.parametrize(("editor", "code"), [("sed -i s/serges/surges/", 0), ("sed -i s/^title.*//", 1), ("false", 1),
                                              ("no-such-editor-here", 2), ('"', 2)])  # fmt: skip
def test_edit_opens_the_editor_and_lints(
    folder: Path, do: Callable[..., Done], monkeypatch: pytest.MonkeyPatch, editor: str, code: int
) -> None:
    monkeypatch.setenv("EDITOR", editor)
    done = do("edit", "26-022")
    assert done.code == code
    assert (b"surges, then" in (folder / f"{JOB}.md").read_bytes()) == (code == 0)
    if editor.startswith("sed") and code:
        assert "title" in done.out


def test_edit_sets_a_field(folder: Path, do: Callable[..., Done]) -> None:
    assert do("edit", "26-022", "--field", "title", "--value", "Snow: first").out == f"{JOB}.md: no remarks\n"
    told = do("edit", "26-022", "--field", "symptoms", "--value", "flurbles", "--json").json
    assert [problem["code"] for problem in told["problems"]] == ["unknown-word"]
    assert b'title: "Snow: first"\n' in (folder / f"{JOB}.md").read_bytes()


def test_nothing_private_is_told(do: Callable[..., Done], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("EDITOR", "true")
    runs = [("log", "26-022", "fuel line ok"), ("log", "26-022", "x"), ("edit", "26-022"),
            ("finish", "26-022", *FINISH, "--safety", "ok"), ("finish", "26-022"),
            ("open", "surges", "--machine", "snow thrower", "--tag", "N-13")]  # fmt: skip
    for args in runs:
        for options in ((), ("--json",)):
            done = do(*args, *options)
            assert not [word for word in ("Zyxwvut", "Qponmlk", "5550001") if word in done.out + done.err], args


def test_control_characters_stay_escaped(do: Callable[..., Done], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", None)
    evil = "\x1b[31mred\x9b2J \u202e no spark"
    for args in (("open", evil, "--machine", "saw " + evil), ("log", "26-022", evil), ("log", "26-022", "--check", evil),
                 ("finish", "26-022", "--cause", evil), ("edit", evil), ("edit", "22", "--field", evil, "--value", evil)):  # fmt: skip
        for options in ((), ("--json",)):
            done = do(*args, *options)
            assert done.code in (0, 2), args
            assert not [char for char in done.out + done.err if not char.isprintable() and char != "\n"], args


START = text(
    "status: open # on the bench\nsymptoms: ['surges', \"no spark\"]   # two\nmachine2: x".replace("\nmachine2: x", ""),
    "Told: by hand.\n\n---\nNo end of line",
)
LINES = ["fuel line split, bad", "low screw was 1 turn, now 7/8 turn, surges better", "new plug, no spark cured, 3.20",
         "new fuel line, surges cured, 25 min", "spark good", "not a step", "new plug, cured"]  # fmt: skip
OPERATIONS = st.lists(
    st.tuples(st.just("log"), st.sampled_from(LINES))
    | st.tuples(st.just("edit"), st.sampled_from(["advice", "machine.tag", "proof", "history.fuel", "outcome"]))
    | st.just(("finish", "")),
    max_size=6,
)


@settings(max_examples=25)
@given(OPERATIONS, st.sampled_from(["\n", "\r\n"]), st.sampled_from(["", "\ufeff"]))
def test_any_sequence_keeps_the_rest_of_the_file(
    tmp_path: Path, operations: list[tuple[str, str]], line_end: str, mark: str
) -> None:
    """Every line that was there is there still, in its order, but for the one whose value was set."""
    path = tmp_path / "26-001-saw.md"
    path.write_bytes((mark + START.replace("\n", line_end)).encode())
    for name, what in operations:
        before = path.read_bytes()
        args = {"log": ("log", "1", what), "edit": ("edit", "1", "--field", what, "--value", "fixed"),
                "finish": ("finish", "1", "--outcome", "fixed", "--cause", "unknown", "--proof", "ran",
                           "--safety", "ok", "--json")}[name]  # fmt: skip
        done = casebase(*args, "--cases", str(tmp_path))
        after = path.read_bytes()
        assert done.code in (0, 2)
        if done.code:
            assert after == before
        kept = [line for line in before.splitlines(keepends=True)
                if not line.startswith((b"status:", b"machine:", b"advice:", b"proof:", b"history:", b"outcome:"))]  # fmt: skip
        assert splices_only(b"".join(kept), after)
        assert after.endswith(START[START.index("Told"):].replace("\n", line_end).encode())
        assert read(after, "x").case is not None
        assert (b" # on the bench" in after) and (b"]   # two" in after)


def test_a_killed_log_loses_nothing_acknowledged(tmp_path: Path) -> None:
    """Processes that add steps are killed at any moment: each step that was acknowledged is in the file."""
    from casebase.record.case import Check

    path = tmp_path / "26-001-a.md"
    path.write_text(text("steps:   # here\n  - check: first", "Told.\n"))
    acknowledged = 0
    for number in range(12):
        reader, writer = os.pipe()
        child = os.fork()
        if child == 0:
            for count in range(1000):
                add_step(path, Check(f"check {number} {count}"))
                os.write(writer, b".")
            os._exit(0)
        os.close(writer)
        time.sleep(0.005 + 0.004 * number)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        with os.fdopen(reader, "rb") as pipe:
            acknowledged += len(pipe.read())
        case = load(path).case
        assert case is not None
        assert len(case.steps) - 1 in range(acknowledged, acknowledged + number + 2)
    assert acknowledged
    assert case.body == "Told."


def test_two_who_log_at_once_both_count(tmp_path: Path) -> None:
    from casebase.record.case import Check

    path = tmp_path / "26-001-a.md"
    path.write_text(text())
    children = []
    for number in range(3):
        child = os.fork()
        if child == 0:
            for count in range(10):
                add_step(path, Check(f"{number} {count}"))
            os._exit(0)
        children.append(child)
    assert [os.waitpid(child, 0)[1] for child in children] == [0, 0, 0]
    case = load(path).case
    assert case is not None
    assert len({step.check for step in case.steps if isinstance(step, Check)}) == 30
    assert json.dumps([path.name for path in tmp_path.iterdir()]) == '["26-001-a.md"]'


def test_nothing_private_is_told_by_what_writes(folder: Path, do: Callable[..., Done], tmp_path: Path) -> None:
    """The commands that only read have such a test in test_cli; `sheet` alone shows the private part."""
    notes = tmp_path / "notes.txt"
    notes.write_text("Snow thrower surges. Cleaned the carb, that cured it.")
    before = set(folder.glob("*.md"))
    commands = [
        ("open", "serges, then stops after a minute", "--machine", "snow thrower"), ("log", JOB, "fuel filter clean"),
        ("log", JOB, "fiddled"), ("edit", JOB, "--field", "advice", "--value", "keep it dry"), ("edit", JOB, "--field", "x", "--value", "y"),
        ("finish", JOB, "--outcome", "fixed"),
        ("finish", JOB, "--outcome", "partly fixed", "--cause", "stale fuel", "--proof", "none", "--safety", "ok"),
        ("followups", "--record", JOB, "perhaps"), ("followups", "--record", JOB, "came back"), ("draft", str(notes)), ("evaluate",), ("tune",),
    ]  # fmt: skip
    for command in commands:
        for options in ((), ("--json",)):
            done = do(*command, *options)
            told = done.out + done.err
            assert not [word for word in ("Zyxwvut", "Qponmlk", "5550001") if word in told], command
    assert "Zyxwvut" in do("sheet", JOB).out
    made = set(folder.glob("*.md")) - before
    assert len(made) >= 2
    assert not [path for path in made if "Zyxwvut" in path.read_text()]
