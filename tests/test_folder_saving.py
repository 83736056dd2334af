"""A save is all or nothing, even when the disk fails or the process is killed."""

from __future__ import annotations

import errno
import multiprocessing
import os
import random
import resource
import signal
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from helpers import GOOD, SPECIAL, fill, within

from casebase.problems import Refused
from casebase.record.folder import replace, sweep, sync_directory, write_new, write_new_text

# The forked children only write files, whatever threads other tests have started in this process.
pytestmark = pytest.mark.filterwarnings("ignore:.*multi-threaded.*fork:DeprecationWarning")


def test_a_save_puts_the_new_bytes_in_the_place_of_the_old(tmp_path: Path) -> None:
    path = fill(tmp_path, "a.md") / "a.md"
    path.chmod(0o600)
    replace(path, b"\xff new \r\n")
    assert path.read_bytes() == b"\xff new \r\n"
    assert path.stat().st_mode & 0o777 == 0o600
    assert os.listdir(tmp_path) == ["a.md"]


def test_a_save_may_make_the_file(tmp_path: Path) -> None:
    replace(tmp_path / "a.md", b"new")
    assert (tmp_path / "a.md").read_bytes() == b"new"


def test_a_save_reaches_the_disk_before_and_after_it_takes_the_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[str] = []
    real_sync, real_replace = os.fsync, os.replace

    def sync(handle: int) -> None:
        done.append("flush folder" if os.path.isdir(f"/proc/self/fd/{handle}") else "flush file")
        real_sync(handle)

    def put(old: Path, new: Path) -> None:
        done.append("replace")
        real_replace(old, new)

    monkeypatch.setattr(os, "fsync", sync)
    monkeypatch.setattr(os, "replace", put)
    replace(tmp_path / "a.md", b"new")
    assert done == ["flush file", "replace", "flush folder"]


def save_old(path: Path) -> None:
    replace(path, b"new" * 9999)


def save_new(path: Path) -> None:
    write_new(path.with_name("b.md"), "new")


FAILING = [(save_old, "fsync"), (save_old, "replace"), (save_old, "open"), (save_new, "fsync"), (save_new, "link")]


@pytest.mark.parametrize("number", [errno.EIO, errno.ENOSPC, errno.EROFS, errno.EDQUOT])
@pytest.mark.parametrize(("save", "step"), FAILING)
def test_a_save_that_fails_says_so_leaves_the_old_file_and_no_stray(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, save: Callable[[Path], None], step: str, number: int
) -> None:
    path = fill(tmp_path, "a.md") / "a.md"
    calls: list[str] = []

    def fail(*_args: object, **_named: object) -> None:
        calls.append(step)
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patch:
        patch.setattr("builtins.open" if step == "open" else f"os.{step}", fail)
        with pytest.raises(Refused) as refused:
            save(path)
    assert calls == [step], "a step that failed is not tried again"
    (problem,) = refused.value.problems
    assert problem.code == "not-saved"
    assert os.strerror(number) in problem.message
    assert problem.hint
    assert not refused.value.usage
    assert path.read_bytes() == GOOD
    assert os.listdir(tmp_path) == ["a.md"]


def in_child(work: Callable[[], int]) -> int:
    """Runs `work` in a forked process and gives its exit code, or minus the signal that ended it."""
    child = os.fork()
    if child == 0:
        code = 99
        try:
            code = work()
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


@pytest.mark.parametrize("save", [save_old, lambda path: write_new(path.with_name("b.md"), "new" * 9999)])
def test_a_disk_that_takes_only_a_part_leaves_the_old_file(tmp_path: Path, save: Callable[[Path], object]) -> None:
    path = fill(tmp_path, "a.md") / "a.md"

    def save_little() -> int:
        resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
        try:
            save(path)
        except Refused as refused:
            return 7 if refused.problems[0].code == "not-saved" else 8
        return 0

    assert in_child(save_little) == 7
    assert path.read_bytes() == GOOD
    assert os.listdir(tmp_path) == ["a.md"]


@pytest.mark.parametrize("save", [lambda path: replace(path, b"x"), lambda path: write_new(path, "x")])
def test_a_save_into_a_folder_that_is_not_there_is_refused(tmp_path: Path, save: Callable[[Path], object]) -> None:
    with pytest.raises(Refused) as refused:
        save(tmp_path / "gone" / "a.md")
    assert refused.value.problems[0].code == "not-saved"


def test_a_save_over_a_directory_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.md").mkdir()
    with pytest.raises(Refused):
        replace(tmp_path / "a.md", b"x")
    assert os.listdir(tmp_path) == ["a.md"]


def test_a_new_case_is_written_once_and_never_over_another(tmp_path: Path) -> None:
    path = tmp_path / "26-001-a.md"
    assert write_new(path, "é one")
    assert not write_new(path, "two")
    assert path.read_text() == "é one"
    assert os.listdir(tmp_path) == ["26-001-a.md"]


@pytest.mark.parametrize("make", [make for make, _reason in SPECIAL])
def test_a_new_case_never_takes_the_place_of_something_strange(tmp_path: Path, make: Callable[[Path], None]) -> None:
    make(tmp_path / "a.md")
    with within(5):
        assert not write_new(tmp_path / "a.md", "text")
    assert not (tmp_path / "a.md").is_file() or (tmp_path / "a.md").is_symlink()


@pytest.mark.parametrize(("durable", "syncs"), [(True, 2), (False, 0)])
def test_many_new_cases_can_be_flushed_together(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, durable: bool, syncs: int
) -> None:
    done: list[int] = []
    monkeypatch.setattr(os, "fsync", done.append)
    assert write_new(tmp_path / "a.md", "text", durable=durable)
    assert len(done) == syncs


def test_half_a_character_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    with pytest.raises(Refused) as refused:
        write_new_text(tmp_path / "a.md", "ab\udcff")
    (problem,) = refused.value.problems
    assert problem.code == "encoding"
    assert "character 3" in problem.message
    assert os.listdir(tmp_path) == []


def test_flushing_a_folder_that_cannot_be_flushed_is_no_matter(tmp_path: Path) -> None:
    sync_directory(tmp_path / "gone")
    sync_directory(tmp_path)


def test_what_a_killed_save_left_is_swept_and_nothing_else(tmp_path: Path) -> None:
    fill(tmp_path, "a.md", ".casebase-0.tmp", ".casebase-1.tmp", ".casebase-2", "casebase-3.tmp")
    (tmp_path / ".casebase-4.tmp").mkdir()
    assert sweep(tmp_path) == 2
    left = sorted(os.listdir(tmp_path))
    assert left == [".casebase-2", ".casebase-4.tmp", "a.md", "casebase-3.tmp"]
    assert sweep(tmp_path, ["a.md", ".casebase-9.tmp"]) == 0
    assert sorted(os.listdir(tmp_path)) == left


# --- killed at any moment ------------------------------------------------------------------------------------


def version(number: int) -> bytes:
    """A text that shows whether it is whole: 120 kB of one number."""
    return b"%07d\n" % number * 15_000


def save_for_ever(path: Path, start: int, told: int) -> int:
    number = start
    while True:
        number += 1
        replace(path, version(number))
        os.write(told, b"%07d\n" % number)


def write_for_ever(folder: Path, start: int, told: int) -> int:
    number = start
    while True:
        number += 1
        write_new(folder / f"n-{number}.md", version(number).decode())
        os.write(told, b"%07d\n" % number)


def killed_after(seconds: float, work: Callable[[int], int]) -> list[int]:
    """Runs `work` in a process that is killed; the numbers it had told through its pipe."""
    heard, told = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            work(told)
        finally:
            os._exit(99)
    os.close(told)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
    with os.fdopen(heard) as pipe:
        return [int(line) for line in pipe]


def test_a_file_saved_by_a_process_that_is_killed_is_old_or_new_and_whole(tmp_path: Path) -> None:
    chance = random.Random(20260418)
    path = tmp_path / "a.md"
    path.write_bytes(version(0))
    last = left_behind = 0
    with within(60):
        for _kill in range(100):
            told = killed_after(chance.uniform(0, 0.03), partial(save_for_ever, path, last))
            data = path.read_bytes()
            number = int(data[:7])
            assert data == version(number)
            assert number >= max(told, default=last), "what was acknowledged is there"
            last = number
            left_behind += sweep(tmp_path)
    assert last >= 10, "the kills fell among saves"
    assert left_behind > 0, "some kills fell into a save"
    assert os.listdir(tmp_path) == ["a.md"]


def test_a_new_file_of_a_process_that_is_killed_is_there_whole_or_not_at_all(tmp_path: Path) -> None:
    chance = random.Random(1)
    last = 0
    with within(60):
        for _kill in range(30):
            told = killed_after(chance.uniform(0, 0.03), partial(write_for_ever, tmp_path, last))
            there = {int(name[2:-3]) for name in os.listdir(tmp_path) if name.startswith("n-")}
            assert there >= set(told)
            for number in there:
                assert (tmp_path / f"n-{number}.md").read_bytes() == version(number)
                (tmp_path / f"n-{number}.md").unlink()
            last = max(there, default=last)
    assert last >= 3, "the kills fell among saves"


def claim(job: tuple[Path, int]) -> list[int]:
    """Tries to create every case; which it got."""
    folder, worker = job
    return [number for number in range(40) if write_new(folder / f"26-{number:03d}.md", f"{worker}\n" * 500)]


def test_eight_processes_never_get_the_same_new_case(tmp_path: Path) -> None:
    with multiprocessing.get_context("fork").Pool(8) as pool:
        got = pool.map(claim, [(tmp_path, worker) for worker in range(8)], chunksize=1)
    assert sorted(number for numbers in got for number in numbers) == list(range(40))
    for worker, numbers in enumerate(got):
        for number in numbers:
            assert (tmp_path / f"26-{number:03d}.md").read_text() == f"{worker}\n" * 500
    assert len(os.listdir(tmp_path)) == 40
