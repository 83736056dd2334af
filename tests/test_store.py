"""The array file: what is saved comes back; what was cut, altered or replaced is noticed, never half believed."""

from __future__ import annotations

import errno
import json
import os
import random
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from helpers import within

from casebase.retrieve import store
from casebase.retrieve.store import Arrays, Damaged

ARRAYS: Arrays = {
    "numbers": np.arange(2000, dtype=np.int64) * 7919,
    "shares": np.linspace(0, 1, 333, dtype=np.float32),
    "grid": np.arange(12, dtype=np.int8).reshape(3, 4),
    "flags": np.array([True, False, True]),
    "nothing": np.array([], dtype=np.uint32),
    "rows of nothing": np.zeros((0, 4), dtype=np.int64),
    "one": np.array([2**63], dtype=np.uint64),
}
TABLES = {"labels": ["Saw’s", "no\x00de", "ë", "\U0001f600"], "mark": "m", "deep": {"a": [1, None, True]}}


@pytest.fixture
def saved(tmp_path: Path) -> Path:
    store.save(tmp_path / "base", ARRAYS, TABLES)
    return tmp_path / "base"


def whole(path: Path) -> bool:
    """Whether a file loads as exactly what was saved. Raises `Damaged` when it does not load."""
    arrays, tables = store.load(path)
    return (
        tables == TABLES
        and arrays.keys() == ARRAYS.keys()
        and all(
            np.array_equal(arrays[name], array) and arrays[name].dtype == array.dtype for name, array in ARRAYS.items()
        )
    )


def noticed(path: Path) -> bool:
    """Whether a damaged file is refused; one that only lost padding must still be whole."""
    try:
        assert whole(path), "loaded as something else than was saved"
    except Damaged:
        return True
    return False


def test_what_is_saved_comes_back(saved):
    assert whole(saved)
    assert [path.name for path in saved.parent.iterdir()] == ["base"]


def test_arrays_cannot_be_written_to(saved):
    arrays, _tables = store.load(saved)
    with pytest.raises(ValueError, match="read-only"):
        arrays["numbers"][0] = 1


def test_every_cut_is_noticed(saved):
    data = saved.read_bytes()
    missed = []
    for share in range(100):
        saved.write_bytes(data[: len(data) * share // 100])
        missed += [] if noticed(saved) else [share]
    assert not missed


def test_every_single_length_of_the_head_is_noticed(saved):
    data = saved.read_bytes()
    for length in range(400):
        saved.write_bytes(data[:length])
        assert noticed(saved), length


def test_zeroed_pages_are_noticed(saved):
    data = saved.read_bytes()
    for start in range(0, len(data), 512):
        page = bytes(len(data[start : start + 512]))
        saved.write_bytes(data[:start] + page + data[start + 512 :])
        assert noticed(saved) or data[start : start + 512] == page


def test_bit_flips_are_noticed(saved):
    """A flip in the padding between the parts changes nothing and may pass; any other must not."""
    data = saved.read_bytes()
    chance = random.Random(20)
    passed = 0
    for _flip in range(1000):
        position, bit = chance.randrange(len(data)), chance.randrange(8)
        saved.write_bytes(data[:position] + bytes([data[position] ^ 1 << bit]) + data[position + 1 :])
        if not noticed(saved):
            passed += 1
            assert data[position] == 0 or position < 64
    assert passed < 50


def test_appended_bytes_do_no_harm(saved):
    with open(saved, "ab") as file:
        file.write(b"more")
    assert whole(saved)


def make_directory(path: Path) -> None:
    path.mkdir()


def make_link(path: Path) -> None:
    store.save(path.with_name("elsewhere"), ARRAYS, TABLES)
    path.symlink_to(path.with_name("elsewhere"))


def make_loop(path: Path) -> None:
    path.symlink_to(path)


REPLACEMENTS: dict[str, tuple[Callable[[Path], object], str]] = {
    "nothing": (lambda path: None, "cannot be opened"),
    "directory": (make_directory, "not a regular file"),
    "link to a good store": (make_link, "is a link"),
    "link to itself": (make_loop, "is a link"),
    "pipe": (os.mkfifo, "not a regular file"),
    "empty": (lambda path: path.write_bytes(b""), "is empty"),
    "text": (lambda path: path.write_text("Dear reader"), "another version"),
    "newer": (lambda path: path.write_bytes(store.MAGIC.replace(b"1", b"2") + b"0" * 100), "another version"),
    "only the first line": (lambda path: path.write_bytes(store.MAGIC), "cannot be read"),
}


@pytest.mark.parametrize("what", REPLACEMENTS)
def test_what_is_no_store_is_refused_with_a_reason(tmp_path, what):
    make, reason = REPLACEMENTS[what]
    make(tmp_path / "base")
    with within(5), pytest.raises(Damaged, match=reason):
        store.load(tmp_path / "base")


def forged(entries: object, body: bytes = b"\0" * 256) -> bytes:
    """A store with a head of our making, all checksums right."""
    head = json.dumps(entries).encode()
    lead = store.MAGIC + b"%016d %010d\n" % (len(head), zlib.crc32(head))
    return (lead + head).ljust(-(-len(lead + head) // store.ALIGN) * store.ALIGN, b"\0") + body


@pytest.mark.parametrize(
    "entry",
    [
        {"dtype": "O", "shape": [2], "at": 0, "size": 16, "crc": zlib.crc32(bytes(16))},
        {"dtype": "no such type", "shape": [2], "at": 0, "size": 16, "crc": zlib.crc32(bytes(16))},
        {"dtype": "<i8", "shape": [3], "at": 0, "size": 16, "crc": zlib.crc32(bytes(16))},
        {"dtype": "<i8", "shape": [2], "at": 0, "size": 10**15, "crc": 0},
        {"dtype": "<i8", "shape": [2], "at": -64, "size": 16, "crc": 0},
        {"dtype": "<i8", "shape": [2], "at": "0", "size": 16, "crc": 0},
        {"dtype": "<i8", "shape": [2]},
        7,
    ],
)
def test_a_forged_head_is_refused(tmp_path, entry):
    """Nothing in a store can run, not even where the checksums are right: no Python objects, no wild sizes."""
    (tmp_path / "base").write_bytes(forged({"x": entry}))
    with pytest.raises(Damaged):
        store.load(tmp_path / "base")


@pytest.mark.parametrize("head", [[], 3, "text", None])
def test_a_head_of_another_shape_is_refused(tmp_path, head):
    (tmp_path / "base").write_bytes(forged(head))
    with pytest.raises(Damaged):
        store.load(tmp_path / "base")


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_save_that_fails_leaves_the_old_file(saved, monkeypatch, step):
    def fail(*_args: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, step, fail)
    with pytest.raises(OSError, match="No space left"):
        store.save(saved, {"other": np.arange(3)}, {})
    assert whole(saved)
    assert [path.name for path in saved.parent.iterdir()] == ["base"]


def test_an_opened_store_outlives_its_replacement(saved):
    """The file is replaced, never written over: who has it open keeps what was there."""
    arrays, _tables = store.load(saved)
    store.save(saved, {"numbers": np.zeros(3)}, {})
    assert np.array_equal(arrays["numbers"], ARRAYS["numbers"])
    assert store.load(saved)[0]["numbers"].tolist() == [0, 0, 0]


def test_of_what_comes_with_the_program_only_the_sizes_are_proved(saved: Path) -> None:
    """A changed number is let through; a cut file and a changed head are not."""
    data = saved.read_bytes()
    place = data.index(ARRAYS["numbers"].tobytes())
    saved.write_bytes(data[:place] + b"\x01" + data[place + 1:])
    assert store.load(saved, proved=False)[0]["numbers"][0] == 1
    with pytest.raises(Damaged):
        store.load(saved)
    for wrong in (data[:-200], data[: len(store.MAGIC) + 40] + b"#" + data[len(store.MAGIC) + 41:]):
        saved.write_bytes(wrong)
        with pytest.raises(Damaged):
            store.load(saved, proved=False)
