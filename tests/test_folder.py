"""A folder of cases: nothing in it blocks or hides the rest. Saving: see test_folder_saving."""

from __future__ import annotations

import os
import time
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from helpers import GOOD, NEEDED, SPECIAL, fill, spot, text, within

from casebase.problems import Place, Problem, Refused, errors
from casebase.record.casefile import MAX_FILE_BYTES
from casebase.record.folder import (
    MAX_ID,
    Listing,
    find_case,
    id_problem,
    in_file,
    load,
    load_all,
    read_bytes,
    require_folder,
    scan,
    write_new,
)


def ids(listing: Listing) -> list[str]:
    return [entry.id for entry in listing.entries]


# --- what is in a folder -------------------------------------------------------------------------------------


def test_cases_are_listed_in_the_order_of_their_ids_with_their_signature(tmp_path: Path) -> None:
    fill(tmp_path, "26-002-b.md", "25-009-a.md", "26-001-c.md")
    listing = scan(tmp_path)
    assert ids(listing) == ["25-009-a", "26-001-c", "26-002-b"]
    assert listing.problems == ()
    status = os.stat(tmp_path / "25-009-a.md")
    entry = listing.entries[0]
    assert entry.path == tmp_path / "25-009-a.md"
    assert entry.signature == (len(GOOD), status.st_mtime_ns, status.st_ctime_ns, status.st_ino)


def test_new_content_of_the_same_size_and_time_changes_the_signature(tmp_path: Path) -> None:
    path = fill(tmp_path, "a.md") / "a.md"
    before, status = scan(tmp_path).entries[0], path.stat()
    time.sleep(0.02)
    path.write_bytes(GOOD.replace(b"dead", b"DEAD"))
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    after = scan(tmp_path).entries[0]
    assert after.signature[:2] == before.signature[:2]
    assert after.signature != before.signature


@pytest.mark.parametrize(
    "name", ["README.md", "readme.MD", "_draft.md", ".hidden.md", "notes.txt", "a.md~", "a.md.bak", "casebase.toml"]
)
def test_files_that_are_no_cases_are_passed_over_in_silence(tmp_path: Path, name: str) -> None:
    assert scan(fill(tmp_path, name)) == Listing((), ())


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("a b.md", "may hold only letters"),
        ("-rf.md", "begins with a letter or digit"),
        ("é.md", "may hold only letters"),
        ("a\u0301.md", "may hold only letters"),
        ("a\x1b[31m.md", "may hold only letters"),
        ("a\n.md", "may hold only letters"),
        ("a\udcff.md", "may hold only letters"),
        ("con.md", "some systems reserve"),
        ("x" * (MAX_ID + 1) + ".md", f"is longer than {MAX_ID} characters"),
        ("26-001-a.MD", "must end in .md, in small letters"),
        ("a..md", "may hold only letters"),
    ],
)
def test_a_file_no_case_may_be_named_like_is_named_and_the_rest_still_listed(
    tmp_path: Path, name: str, reason: str
) -> None:
    listing = scan(fill(tmp_path, name, "26-002-good.md"))
    assert ids(listing) == ["26-002-good"]
    (problem,) = listing.problems
    assert (problem.code, problem.file) == ("skipped", str(tmp_path / name))
    assert reason in problem.message
    assert "26-014-dies-when-tilted.md" in problem.hint
    assert str(problem).isprintable()


def test_ids_that_differ_only_in_capitals_are_both_named(tmp_path: Path) -> None:
    listing = scan(fill(tmp_path, "Saw.md", "saw.md"))
    assert ids(listing) == ["Saw", "saw"]
    (problem,) = listing.problems
    assert (problem.code, problem.severity, problem.file) == ("id-case", "warning", str(tmp_path / "saw.md"))
    assert "Saw.md" in problem.message


@pytest.mark.parametrize(("make", "reason"), SPECIAL)
def test_what_is_no_plain_file_is_named_and_never_waited_for(
    tmp_path: Path, make: Callable[[Path], None], reason: str
) -> None:
    fill(tmp_path, "26-002-good.md")
    strange = tmp_path / "26-001-x.md"
    make(strange)
    with within(5):
        listing = scan(tmp_path)
        cases, problems = load_all(tmp_path)
        alone = load(strange)
    assert ids(listing) == ["26-002-good"]
    assert [case.id for case in cases] == ["26-002-good"]
    assert problems == list(listing.problems)
    (problem,) = problems
    assert (problem.code, problem.file) == ("skipped", str(strange))
    assert reason in problem.message
    assert alone.case is None
    assert [found.code for found in alone.problems] == ["unreadable"]


def test_a_file_removed_while_the_folder_is_listed_is_left_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(tmp_path, "a.md", "b.md")
    real = os.scandir

    class Listed:
        def __init__(self, path: Path) -> None:
            with real(path) as found:
                self.items = list(found)
            (tmp_path / "a.md").unlink()

        def __enter__(self) -> Iterator[os.DirEntry[str]]:
            return iter(self.items)

        def __exit__(self, *_error: object) -> None:
            return None

    monkeypatch.setattr(os, "scandir", Listed)
    assert ids(scan(tmp_path)) == ["b"]


@pytest.mark.parametrize("ask", [require_folder, scan, load_all, lambda path: find_case(path, "x")])
@pytest.mark.parametrize("name", ["missing", "file.md"])
def test_what_is_no_folder_is_refused(tmp_path: Path, ask: Callable[[Path], object], name: str) -> None:
    fill(tmp_path, "file.md")
    with pytest.raises(Refused) as refused:
        ask(tmp_path / name)
    (problem,) = refused.value.problems
    assert (problem.code, problem.field) == ("no-folder", "--cases")
    assert "casebase start DIR" in problem.hint


def test_a_folder_that_may_not_be_read_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda _path, _mode: False)
    with pytest.raises(Refused) as refused:
        require_folder(tmp_path)
    assert refused.value.problems[0].code == "no-access"


def test_a_good_folder_is_given_back(tmp_path: Path) -> None:
    assert require_folder(tmp_path) == tmp_path


# --- reading one file ----------------------------------------------------------------------------------------


def test_a_file_is_read_under_its_name_or_the_id_it_is_given(tmp_path: Path) -> None:
    path = fill(tmp_path, "26-001-a.md") / "26-001-a.md"
    for given, case_id in ((None, "26-001-a"), ("other", "other")):
        case = load(path, given).case
        assert case is not None
        assert case.id == case_id


def test_a_file_that_vanished_is_a_problem(tmp_path: Path) -> None:
    reading = load(tmp_path / "gone.md")
    assert reading.case is None
    (problem,) = reading.problems
    assert (problem.code, problem.file, problem.place) == ("unreadable", str(tmp_path / "gone.md"), Place())
    assert problem.message == "cannot be read (No such file or directory)"


def test_a_huge_file_is_refused_without_being_read_whole(tmp_path: Path) -> None:
    path = fill(tmp_path, "a.md") / "a.md"
    os.truncate(path, 1 << 30)
    tracemalloc.start()
    try:
        reading = load(path)
        _now, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert [problem.code for problem in reading.problems] == ["too-large"]
    assert peak < 4 * MAX_FILE_BYTES


def test_the_bytes_of_a_file_are_given_as_they_are(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"\xef\xbb\xbf\r\n\x00\xff\x1a")
    assert read_bytes(tmp_path / "a") == b"\xef\xbb\xbf\r\n\x00\xff\x1a"


# --- forty good files beside every kind of broken one --------------------------------------------------------


def front(old: str, new: str) -> bytes:
    assert old in text()
    return text().replace(old, new).encode()


BROKEN: dict[str, tuple[bytes, str, int, int, str]] = {
    "empty": (b"", "empty", 0, 0, "begin with a --- line"),
    "blank": (b"\n \n", "empty", 0, 0, "begin with a --- line"),
    "no-fence": (NEEDED.encode(), "front-matter", 1, 1, "between two --- lines"),
    "open-fence": (b"---\n" + NEEDED.encode(), "front-matter", 1, 1, "on a line of its own"),
    "no-fields": (b"---\n---\nbody\n", "front-matter", 2, 1, "begin with title"),
    "second-document": (text("--- x").encode(), "yaml-documents", 6, 1, "one block"),
    "utf-16": (text().encode("utf-16"), "encoding", 0, 0, "save it as UTF-8"),
    "latin-1": (front("dead", "d\xe9ad").replace(b"\xc3\xa9", b"\xe9"), "encoding", 5, 19, "save it as UTF-8"),
    "nul": (front("dead", "de\0ad"), "encoding", 5, 20, "save it as UTF-8 text"),
    "surrogate": (GOOD + b"\xed\xa0\x80", "encoding", 9, 1, "save it as UTF-8"),
    "lone-cr": (text().replace("\n", "\r").encode(), "line-break", 1, 4, "ordinary line end"),
    "line-separator": (front("dead", "de\u2028ad"), "line-break", 5, 20, "ordinary line end"),
    "merge": (text("<<<<<<< HEAD\nadvice: a\n=======\nadvice: b\n>>>>>>> x").encode(), "conflict", 6, 1, "choose one"),
    "too-large": (GOOD + b"x" * MAX_FILE_BYTES, "too-large", 0, 0, "keep photographs"),
    "front-too-large": (text("advice: " + "x" * 66_000).encode(), "too-large", 2, 1, "move the story"),
    "too-long": (text("advice: " + "x" * 20_001).encode(), "too-long", 6, 9, "move the story"),
    "tab": (text("steps:\n\t- check: x").encode(), "yaml", 7, 1, "spaces, not tabs"),
    "open-quote": (text('advice: "a').encode(), "yaml", 6, 9, "not closed"),
    "colon": (front("it is dead", "it is: dead"), "yaml", 5, 17, "must stand in quotes"),
    "control": (front("dead", "de\x07ad"), "yaml", 5, 20, "remove it"),
    "alias-bomb": (text("a: &a [x]\nb: [*a, *a]").encode(), "yaml-alias", 6, 4, "remove it"),
    "recursive": (text("a: &a [*a]").encode(), "yaml-alias", 6, 4, "remove it"),
    "merge-key": (text("<<: *a").encode(), "yaml-alias", 6, 5, "write the value out"),
    "tag": (text("a: !!python/object:os.system x").encode(), "yaml-tag", 6, 4, "remove it"),
    "deep": (text("a: " + "[" * 60_000).encode(), "yaml", 6, 1003, "flatten it"),
    "list-key": (text("? [a]\n: b").encode(), "yaml-key", 6, 3, "a key is a single"),
    "duplicate": (text("title: Other").encode(), "duplicate-key", 6, 1, "keep one"),
    "unknown": (text("symptons: [a]").encode(), "unknown-key", 6, 1, 'did you mean "symptoms"?'),
    "missing": (front("complaint: it is dead\n", ""), "missing", 2, 1, "complaint must have a value"),
    "no-such-day": (front("2026-04-18", "2026-02-31"), "date", 3, 7, "check month and day"),
    "digits": (front("2026-04-18", "9" * 5000), "date", 3, 7, "write it as"),
    "price": (text("steps: [{do: x, parts: '9,50'}]").encode(), "number", 6, 24, "for example 9.50"),
    "outcome": (text("outcome: fixt").encode(), "choice", 6, 10, 'did you mean "fixed"?'),
    "step": (text("steps: [{found: x}]").encode(), "step-kind", 6, 9, "a step is one of them"),
    "shape": (front("{kind: chainsaw}", "chainsaw"), "shape", 4, 10, "for example machine"),
}


def test_all_good_cases_load_beside_every_kind_of_broken_file(tmp_path: Path) -> None:
    good = [f"26-{number:03d}-good" for number in range(40)]
    fill(tmp_path, *(f"{name}.md" for name in good))
    for name, (data, *_rest) in BROKEN.items():
        (tmp_path / f"bad-{name}.md").write_bytes(data)
    for number, (make, _reason) in enumerate(SPECIAL):
        make(tmp_path / f"special-{number}.md")
    (tmp_path / "bad name.md").write_bytes(GOOD)

    with within(20):
        cases, problems = load_all(tmp_path)

    assert [case.id for case in cases] == good
    named = in_file(problems)
    assert len(named) == len(BROKEN) + len(SPECIAL) + 1
    for name, (_data, code, line, column, hint) in BROKEN.items():
        (problem,) = named[str(tmp_path / f"bad-{name}.md")]
        assert spot(problem) == (code, line, column), name
        assert hint in problem.hint, name
        assert problem.severity == "error", name
    for file in (*(f"special-{number}.md" for number in range(len(SPECIAL))), "bad name.md"):
        assert [problem.code for problem in named[str(tmp_path / file)]] == ["skipped"]
    assert all(problem.hint and str(problem).isprintable() for problem in problems)


def test_a_warning_does_not_keep_a_case_out(tmp_path: Path) -> None:
    (tmp_path / "a.md").write_text(text("status: closed"))
    cases, problems = load_all(tmp_path)
    assert [case.id for case in cases] == ["a"]
    assert [problem.code for problem in problems] == ["no-outcome"]
    assert errors(problems) == []


def test_problems_are_grouped_by_file_in_the_order_of_their_place() -> None:
    first, second, third = (Problem("c", "m", file="b", place=Place(*at)) for at in ((1, 9), (2, 1), (2, 5)))
    other = Problem("c", "m", file="a", place=Place(7, 1))
    grouped = in_file([third, second, first, other])
    assert grouped == {"a": [other], "b": [first, second, third]}
    assert list(grouped) == ["a", "b"]


# --- names ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "case_id", ["26-014-dies-when-tilted", "a", "7", "A.b_c-d", "x" * MAX_ID, "console", "com0", "a.con"]
)
def test_an_id_of_letters_digits_and_dashes_is_allowed(case_id: str) -> None:
    assert id_problem(case_id) == ""


@pytest.mark.parametrize(
    "case_id",
    [
        "", "../x", "/etc/passwd", "..%2f", "%252e", "a\\..\\b", "a\0", "-rf", ".git", "x" * 300, "a/b", "..", ".",
        "a\n", "CON", "nul.x", "Com1", "lpt9.a.b", "aux", "a.", "a ", " a", "a:b", "é", "e\u0301", "\uff21",
        "a\u202eb", "_a",
    ],
)  # fmt: skip
def test_no_other_id_is_allowed_nor_can_be_written(tmp_path: Path, case_id: str) -> None:
    assert id_problem(case_id)
    inside = tmp_path / "cases"
    inside.mkdir()
    if Path(f"{case_id}.md").stem == case_id:
        with pytest.raises(Refused) as refused:
            write_new(inside / f"{case_id}.md", "text")
        assert refused.value.problems[0].code == "id"
        assert refused.value.problems[0].hint
    assert os.listdir(inside) == []


# --- finding one case ----------------------------------------------------------------------------------------

SHELF = (
    "24-014-mower-hunts.md", "25-003-saw-bogs.md", "25-014-saw-floods.md", "26-003-trimmer.md", "26-014-saw.md",
    "26-014-saw-dies.md", "26-100-tiller-opens.md", "26-1014-blower.md", "old-saw.md",
)  # fmt: skip


@pytest.mark.parametrize(
    ("reference", "found"),
    [
        ("26-003-trimmer", "26-003-trimmer"),
        ("26-014-saw", "26-014-saw"),
        ("26-003", "26-003-trimmer"),
        ("24-014", "24-014-mower-hunts"),
        ("3", "26-003-trimmer"),
        ("003", "26-003-trimmer"),
        ("100", "26-100-tiller-opens"),
        ("1014", "26-1014-blower"),
        ("26-1014", "26-1014-blower"),
        ("trimmer", "26-003-trimmer"),
        ("  MOWER ", "24-014-mower-hunts"),
        ("saw-dies", "26-014-saw-dies"),
        ("old-saw", "old-saw"),
    ],
)
def test_a_case_is_found_by_its_id_number_or_a_part_of_it(tmp_path: Path, reference: str, found: str) -> None:
    assert find_case(fill(tmp_path, *SHELF), reference).id == found


@pytest.mark.parametrize(
    ("reference", "code", "message"),
    [
        ("14", "which-case", '"14" fits 2 cases: 26-014-saw, 26-014-saw-dies'),
        ("26-014", "which-case", '"26-014" fits 2 cases: 26-014-saw, 26-014-saw-dies'),
        ("saw", "which-case", '"saw" fits 5 cases: 25-003-saw-bogs, 25-014-saw-floods, 26-014-saw, 26-014-saw-dies, '
         "old-saw"),
        ("-", "which-case", "26-003-trimmer, 26-014-saw …"),
        ("tractor", "no-case", 'there is no case "tractor"'),
        ("", "no-case", 'there is no case ""'),
        ("   ", "no-case", "there is no case"),
        ("99", "no-case", "there is no case"),
        ("0000000140", "no-case", "there is no case"),
        ("9" * 5000, "no-case", "there is no case"),
        ("../x", "no-case", "there is no case"),
        ("a\0b", "no-case", "there is no case"),
    ],
)  # fmt: skip
def test_a_reference_to_none_or_several_is_refused_naming_them(
    tmp_path: Path, reference: str, code: str, message: str
) -> None:
    with pytest.raises(Refused) as refused:
        find_case(fill(tmp_path, *SHELF), reference)
    (problem,) = refused.value.problems
    assert (problem.code, problem.field) == (code, "CASE")
    assert message in problem.message
    assert problem.hint
