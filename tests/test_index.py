"""The index keeps in step with the files, survives every damage, and keeps nothing private."""

from __future__ import annotations

import errno
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from commands import ROOT, copy_of_demo, environment, quick_lexicon
from helpers import text, within

from casebase.problems import Refused
from casebase.record.folder import load
from casebase.retrieve import index as indexing
from casebase.retrieve import store
from casebase.retrieve.cache import cache_folder
from casebase.retrieve.index import Index, open_index
from casebase.reuse import shapes
from casebase.reuse.firstanswer import first_answer

QUESTION = "two-stroke trimmer, runs only on choke, bulb wet, no spark, never floods"


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of nine demo cases whose index goes to a cache of its own."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    quick_lexicon(monkeypatch)
    return copy_of_demo(tmp_path, 9)


def answers(index: Index) -> list[Any]:
    """What an index has to say: an answer with its ranking and counts, and what is wrong with the files."""
    return [shapes.first_answer(first_answer(QUESTION, index)), index.size, sorted(map(str, index.problems))]


def fresh(folder: Path) -> list[Any]:
    """The answers of an index built from nothing, in memory."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", "/dev/null")
        return answers(open_index(folder))


def first_case(folder: Path) -> Path:
    return min(folder.glob("2*.md"))


@pytest.fixture
def loads(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The ids of the files that are read, in order."""
    read: list[str] = []

    def counted(path: Path, case_id: str) -> Any:
        read.append(case_id)
        return load(path, case_id)

    monkeypatch.setattr(indexing, "load", counted)
    return read


# Keeping in step.


def test_a_second_opening_reads_no_file(shop, loads):
    built = answers(open_index(shop))
    assert len(loads) == 9
    loads.clear()
    again = open_index(shop)
    assert answers(again) == built == fresh(shop)
    assert again.notes == ()
    assert loads[9:] == []  # the nine are those of the fresh build
    assert len(again.segments) == 1


def edit(path: Path) -> None:
    path.write_text(
        path.read_text(encoding="utf-8") + "\nThe bulb leaks and it runs only on choke.\n", encoding="utf-8"
    )


def relabel(path: Path) -> None:
    path.write_text(text("symptoms: [runs only on choke, sings at night]\nabsent: [bogs on acceleration]"))


def unindexable(path: Path) -> None:
    path.write_text("no front matter")


CHANGES: dict[str, Callable[[Path], object]] = {
    "edited": edit,
    "other symptoms": relabel,
    "added": lambda path: shutil.copy(path, path.with_name("26-901-new.md")),
    "renamed": lambda path: path.rename(path.with_name("26-902-renamed.md")),
    "broken": unindexable,
    "emptied": lambda path: path.write_text(""),
    "replaced by an equal copy": lambda path: shutil.copy(path, path.with_suffix(".x")).replace(path),
}


@pytest.mark.parametrize("what", CHANGES)
def test_only_what_changed_is_read_again(shop, loads, what):
    open_index(shop)
    loads.clear()
    CHANGES[what](first_case(shop))
    found = open_index(shop)
    assert len(loads) == 1
    loads.clear()
    assert answers(found) == answers(open_index(shop))
    assert loads == []
    assert answers(found) == fresh(shop)


def test_what_is_worked_out_once_is_kept_with_its_index(shop):
    made = []

    def count(index: Index) -> int:
        made.append(index)
        return index.size

    one = open_index(shop)
    assert one.once(count) == one.once(count) == 9 and made == [one]
    first_case(shop).unlink()
    assert open_index(shop).once(count) == 8


def test_a_deleted_case_is_gone_without_reading_any(shop, loads):
    open_index(shop)
    loads.clear()
    gone = first_case(shop)
    gone.unlink()
    found = open_index(shop)
    assert loads == []
    assert found.size == 8
    assert answers(found) == fresh(shop)


def test_change_upon_change(shop):
    """Many changes one after the other: at each the answers are those of a fresh build."""
    chance = random.Random(3)
    open_index(shop)
    for number in range(8):
        path = chance.choice(sorted(shop.glob("2*.md")))
        change = chance.choice([*CHANGES.values(), Path.unlink])
        if change is CHANGES["renamed"] or change is CHANGES["added"]:
            shutil.copy(path, shop / f"26-9{number:02d}-more.md")
        else:
            change(path)
        assert answers(open_index(shop)) == fresh(shop), number


def test_same_size_and_time_but_other_content(shop):
    path = shop / "26-905-x.md"
    path.write_text(text("symptoms: [no spark]"))
    open_index(shop)
    times = path.stat()
    path.write_text(text("symptoms: [no speed]"))
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))
    assert (path.stat().st_size, path.stat().st_mtime_ns) == (times.st_size, times.st_mtime_ns)
    assert answers(open_index(shop)) == fresh(shop)
    assert any("no speed" in str(problem) for problem in open_index(shop).problems)


@pytest.mark.parametrize("years", [-1, 10])
def test_a_clock_that_jumps_changes_no_order(shop, years):
    built = answers(open_index(shop))
    for path in shop.glob("2*.md"):
        stamp = path.stat().st_mtime + years * 365 * 86400
        os.utime(path, (stamp, stamp))
    assert answers(open_index(shop)) == built


def test_a_broken_file_that_is_mended(shop):
    path = shop / "26-906-x.md"
    unindexable(path)
    before = open_index(shop)
    assert [problem.file for problem in before.errors] == [str(path)]
    relabel(path)
    after = open_index(shop)
    assert after.errors == ()
    assert after.size == before.size + 1
    assert answers(after) == fresh(shop)


def test_many_changes_are_merged(shop, loads, monkeypatch):
    monkeypatch.setattr(indexing, "DELTA_CASES", 2)
    open_index(shop)
    loads.clear()
    for path in sorted(shop.glob("2*.md"))[:3]:
        edit(path)
    merged = open_index(shop)
    assert len(loads) == 9
    assert len(merged.segments) == 1
    assert not (cache_folder(shop) / "delta").exists()
    assert answers(merged) == fresh(shop)


def test_the_folders_own_words(shop):
    question = "the whirligig jams"
    assert first_answer(question, open_index(shop)).question.symptoms == ()
    (shop / "vocabulary.yaml").write_text('symptoms: {whirligig stuck: {said: ["whirligig jam|stick"]}}\n')
    assert first_answer(question, open_index(shop)).question.symptoms == ("whirligig stuck",)
    (shop / "vocabulary.yaml").unlink()
    assert first_answer(question, open_index(shop)).question.symptoms == ()


def test_problems_name_files_by_the_path_the_folder_goes_by(shop, monkeypatch):
    unindexable(shop / "26-907-x.md")
    (shop / "26-908-x.md").write_text(text("symptoms: [sings at night]"))
    open_index(shop)
    monkeypatch.chdir(shop.parent)
    for name in ("cases", "./cases", "cases/../cases", str(shop)):
        files = {problem.file for problem in open_index(Path(name)).problems}
        assert files == {str(Path(name) / "26-907-x.md"), str(Path(name) / "26-908-x.md")}


def test_a_file_that_vanishes_while_it_is_read(shop, monkeypatch):
    def late(path: Path, case_id: str) -> Any:
        if path == vanishing:
            path.unlink()
        return load(path, case_id)

    vanishing = first_case(shop)
    monkeypatch.setattr(indexing, "load", late)
    assert open_index(shop).size == 8
    monkeypatch.setattr(indexing, "load", load)
    assert answers(open_index(shop)) == fresh(shop)


def test_progress_passes_every_file(shop):
    seen = []

    def progress(entries: Any, total: int) -> Any:
        assert total == 9
        for entry in entries:
            seen.append(entry.id)
            yield entry

    open_index(shop, progress)
    assert seen == sorted(path.stem for path in shop.glob("2*.md"))


def test_positions(shop):
    open_index(shop)
    edit(first_case(shop))
    index = open_index(shop)
    assert index.offsets == (0, 9)
    assert index.id(9) == first_case(shop).stem
    assert index.size == 9
    assert len(index.alive) == 10
    assert len(index.column("day")) == 10
    with pytest.raises(IndexError):
        index.locate(-1)


# Folders that are none, and things that are no files.


@pytest.mark.parametrize(
    "make", [lambda path: None, lambda path: path.write_text("x"), lambda path: path.symlink_to(path)]
)
def test_what_is_no_folder_is_refused(tmp_path, make):
    make(tmp_path / "x")
    with pytest.raises(Refused, match="is not a folder"):
        open_index(tmp_path / "x")


def test_an_empty_folder(tmp_path, monkeypatch):
    quick_lexicon(monkeypatch)
    (tmp_path / "x").mkdir()
    index = open_index(tmp_path / "x")
    assert index.size == 0
    answer = first_answer("runs only on choke", index)
    assert answer.ranking.shown == ()
    assert answer.handbook


@pytest.mark.parametrize("name", ["26-909-x.md", "casebase.toml", "vocabulary.yaml"])
@pytest.mark.parametrize("kind", ["pipe", "directory", "link", "loop"])
def test_odd_things_in_the_folder_are_named_and_never_waited_for(shop, name, kind):
    path = shop / name
    path.unlink(missing_ok=True)
    make: dict[str, Callable[[Path], object]] = {
        "pipe": os.mkfifo,
        "directory": Path.mkdir,
        "link": lambda path: path.symlink_to("/etc/hostname"),
        "loop": lambda path: path.symlink_to(path),
    }
    make[kind](path)
    with within(20):
        index = open_index(shop)
        assert index.size == 9
        assert {problem.file for problem in index.errors} == {str(path)}
        path.rmdir() if kind == "directory" else path.unlink()
        assert open_index(shop).errors == ()


def test_names_no_alphabet_knows(tmp_path, monkeypatch):
    quick_lexicon(monkeypatch)
    folder = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9 \x1b[31m"))
    folder.mkdir()
    (folder / "26-001-x.md").write_text(text('symptoms: ["\\uD800 lone"]'))
    (folder / os.fsdecode(b"26-002-\xff.md")).write_text(text())
    for _time in range(2):
        index = open_index(folder)
        assert len(index.errors) + index.size == 2
        assert first_answer("it is dead", index).cases == index.size


# Damage.


def flipped(data: bytes, seed: int) -> bytes:
    """One bit changed, in a part that is not padding."""
    chance = random.Random(seed)
    position = next(p for p in iter(lambda: chance.randrange(64, len(data)), None) if data[p])
    return data[:position] + bytes([data[position] ^ 1 << chance.randrange(8)]) + data[position + 1 :]


def cut(share: int) -> Callable[[bytes], bytes]:
    return lambda data: data[: len(data) * share // 100]


def zeroed(share: int) -> Callable[[bytes], bytes]:
    """A page set to nothing, where there was something."""

    def damage(data: bytes) -> bytes:
        start = next(at for at in range(len(data) * share // 100, len(data)) if data[at])
        return data[:start] + bytes(len(data[start : start + 4096])) + data[start + 4096 :]

    return damage


DAMAGES = {
    **{f"cut at {share} %": cut(share) for share in (0, 1, 50, 99)},
    **{f"page at {share} %": zeroed(share) for share in (0, 50, 98)},
    **{f"flip {seed}": partial(flipped, seed=seed) for seed in range(4)},
}


@pytest.mark.parametrize("part", ["base", "delta"])
def test_a_damaged_index_is_noticed_and_built_anew(shop, part):
    open_index(shop)
    edit(first_case(shop))
    expected = answers(open_index(shop))
    for what, damage in DAMAGES.items():
        if not (cache_folder(shop) / "delta").exists():
            edit(first_case(shop))
            expected = answers(open_index(shop))
        path = cache_folder(shop) / part
        path.write_bytes(damage(path.read_bytes()))
        index = open_index(shop)
        assert answers(index) == expected, what
        assert [note for note in index.notes if "built anew" not in note] == []
        assert len(index.notes) == (part == "base"), what
        assert open_index(shop).notes == ()
    assert expected == fresh(shop)


def test_a_store_without_a_part_it_should_have(shop):
    open_index(shop)
    place = cache_folder(shop) / "base"
    arrays, tables = store.load(place)
    arrays = {name: array.copy() for name, array in arrays.items()}
    store.save(place, {name: array for name, array in arrays.items() if name != "length"}, tables)
    index = open_index(shop)
    assert any("lacks a part" in note for note in index.notes)
    assert answers(index) == fresh(shop)


@pytest.mark.parametrize("part", ["base", "delta", "lock"])
@pytest.mark.parametrize("kind", ["directory", "link", "pipe", "newer", "empty"])
def test_a_replaced_index_is_put_away_and_built_anew(shop, tmp_path, part, kind):
    open_index(shop)
    # A directory twice: the second time, what was set aside is there already.
    for _time in range(2 if kind == "directory" else 1):
        edit(first_case(shop))
        open_index(shop)
        path = cache_folder(shop) / part
        good = path.read_bytes()
        path.unlink()
        if kind == "directory":
            path.mkdir()
            (path / "letter").write_text("not ours")
        elif kind == "link":
            (tmp_path / "elsewhere").write_bytes(good)
            path.symlink_to(tmp_path / "elsewhere")
        elif kind == "pipe":
            os.mkfifo(path)
        else:
            path.write_bytes(good.replace(b"arrays 1", b"arrays 2", 1) if kind == "newer" else b"")
        edit(first_case(shop))  # so that there is something to build
        with within(20):
            index = open_index(shop)
        assert len(index.notes) == (part == "base")
        assert answers(index) == fresh(shop)
        if path.exists():
            assert path.is_file()
            assert not path.is_symlink()
    if kind == "link":
        assert (tmp_path / "elsewhere").exists()


def test_an_index_of_another_version_is_built_anew_without_ado(shop, monkeypatch):
    expected = answers(open_index(shop))
    monkeypatch.setattr(indexing, "__version__", "99")
    assert answers(open_index(shop)) == expected


@pytest.mark.parametrize("where", ["/dev/null/cache", "/proc/none", "a file"])
def test_without_a_cache_the_answer_is_the_same(shop, tmp_path, monkeypatch, where):
    expected = answers(open_index(shop))
    if where == "a file":
        where = str(tmp_path / "file")
        Path(where).write_text("x")
    monkeypatch.setenv("XDG_CACHE_HOME", where)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))
    (tmp_path / "temporary").mkdir()
    index = open_index(shop)
    assert answers(index) == expected
    assert len(index.notes) == 1
    assert "cannot be written" in index.notes[0]
    assert list((tmp_path / "temporary").iterdir()) == []


def test_a_full_disk(shop, monkeypatch):
    def full(*_args: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    expected = fresh(shop)
    monkeypatch.setattr(store.os, "fsync", full)
    for _time in range(2):
        index = open_index(shop)
        assert answers(index) == expected
        assert len(index.notes) == 1
        assert "No space left on device" in index.notes[0]
    monkeypatch.undo()


def test_a_cache_that_is_deleted_meanwhile(shop):
    index = open_index(shop)
    shutil.rmtree(cache_folder(shop))
    assert answers(index) == fresh(shop)
    assert answers(open_index(shop)) == fresh(shop)


# Several processes.


def builders(mode: str, folder: Path, count: int) -> Any:
    script = Path(__file__).with_name("builders.py")
    done = subprocess.run(
        [sys.executable, "-W", "ignore", script, mode, folder, str(count)],
        env=environment(PYTHONPATH=f"{ROOT}{os.pathsep}{script.parent}"),
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_a_killed_builder_leaves_nothing_behind(shop):
    done = builders("kill", shop, 50)
    assert done["wrong"] == 0
    assert done["killed"] > 10
    assert done["left"] == ["base", "lock"]


def test_processes_that_open_at_once(shop):
    assert builders("race", shop, 8) == {"failed": 0, "wrong": 0}


# What must not be in it.


def test_nothing_private_is_in_the_index(shop):
    secret = ("Zyxwvut", "Qponmlk", "5550001", "hidden-place", "otherkey")
    given = [
        "private: {owner: Zyxwvut Qponmlk, phone: '5550001', hidden-place: x}",
        "private: [Zyxwvut, Qponmlk]",
        "private: Zyxwvut 5550001",
        "private: {owner: {name: Zyxwvut}}",
        "private: {owner: Zyxwvut, owner: Qponmlk}",
        "private: {owner: [5550001]}",
        "Private: {owner: Zyxwvut}",
    ]
    for number, lines in enumerate(given):
        (shop / f"26-91{number}-x.md").write_text(text(lines))
    index = open_index(shop)
    assert index.size >= 10
    assert len(index.errors) >= 4
    for _time in range(2):
        kept = b"".join(path.read_bytes() for path in cache_folder(shop).iterdir())
        told = json.dumps(answers(open_index(shop)))
        assert not [word for word in secret if word.encode() in kept or word in told]
        (shop / "26-920-x.md").write_text(text(given[0]))  # and once more, in the delta


def test_nothing_is_written_beside_the_cases(shop):
    def snapshot() -> list[tuple[str, int, bytes]]:
        return [(p.name, p.stat().st_mtime_ns, p.read_bytes()) for p in sorted(shop.iterdir())]

    before = snapshot()
    for rebuild in (False, False, True):
        open_index(shop, rebuild=rebuild)
    assert snapshot() == before
    assert not cache_folder(shop).is_relative_to(shop)
    assert cache_folder(shop).stat().st_mode & 0o077 == 0


def test_columns_hold_one_value_per_case(shop):
    index = open_index(shop)
    for name in ("length", "kind", "day", "outcome", "came_back", "cluster"):
        assert len(index.column(name)) == 9
    assert not np.isnan(index.column("length")).any()
