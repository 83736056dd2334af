"""The command that drafts a case from notes: to the screen, to a file, as JSON, and what it refuses."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from commands import DEMO, casebase

from casebase.record.casefile import read

NOTES = ("String trimmer, two-stroke, 26 cc. The owner says it runs only with the choke on. I found the fuel line split. "
         "Fitted a new fuel line, 20 min, 4.50 in parts, and that did it.")


pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture(autouse=True)
def _here(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("CASEBASE_DIR", str(DEMO))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture
def notes(tmp_path: Path) -> Path:
    file = tmp_path / "notes.txt"
    file.write_text(NOTES)
    return file


def test_notes_become_a_case_file(notes: Path, tmp_path: Path) -> None:
    out = tmp_path / "26-099-draft.md"
    done = casebase("draft", str(notes), "--date", "2026-05-04", "--title", "On choke", "--into", str(out))
    assert done.code == 0 and "written to" in done.out
    reading = read(out.read_bytes(), "26-099-draft")
    case = reading.case
    assert case is not None and not [p for p in reading.problems if p.severity == "error"]
    assert (case.title, case.date.isoformat(), case.status) == ("On choke", "2026-05-04", "open")
    assert case.symptoms == ("runs only on choke",) and case.machine.kind == "string trimmer"
    (repair,) = case.repairs()
    assert [effect.result for effect in repair.effects] == ["cured"]
    assert casebase("draft", str(notes), "--into", str(out)).code == 2  # it is there already


def test_what_is_piped_in_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    class Piped:
        buffer = io.BytesIO(NOTES.encode())

    monkeypatch.setattr("sys.stdin", Piped)
    assert "replace fuel line" in casebase("draft").out


def test_what_gave_nothing_is_said_beside_the_file(tmp_path: Path) -> None:
    notes = tmp_path / "notes.txt"
    notes.write_text("The mower would not start. A new plug made no difference. What cured it in the end was the tank vent. My dog slept through it.")
    done = casebase("draft", str(notes))
    told, vent, dog = done.err.index("nothing was read from"), done.err.find("the tank vent"), done.err.find("My dog")
    assert told < dog and "nothing was read from" not in done.out
    assert (vent > told) != ("clear or replace tank vent" in done.out)  # what cured is read as work, or it is said that it was not


def test_every_entry_of_the_json_has_its_sentence(notes: Path) -> None:
    data = casebase("draft", str(notes), "--json").json
    assert data and all(sentence in NOTES for step in data["steps"] for sentence in step["sentences"])
    assert all(step["sentences"] for step in data["steps"])


@pytest.mark.parametrize(("data", "words"), [
    (b"", "word"), (b"\xff\xfe\x00", "UTF-8"), (b"x " * 60_000, "longer than"), (b"... ???", "word")])
def test_what_is_no_text_is_refused_in_words(tmp_path: Path, data: bytes, words: str) -> None:
    file = tmp_path / "notes.txt"
    file.write_bytes(data)
    done = casebase("draft", str(file))
    assert done.code == 2 and words in done.err and "Traceback" not in done.err


@pytest.mark.parametrize("args", [("none.txt",), ("--date", "yesterday")])
def test_wrong_arguments_are_refused(args: tuple[str, ...], notes: Path) -> None:
    done = casebase("draft", *(args if len(args) == 1 else (str(notes), *args)))
    assert done.code == 2 and done.err and "Traceback" not in done.err
