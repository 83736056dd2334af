"""Arrays on disk: one file of raw numbers, opened by memory map and proved by checksums.

Nothing in it can run: no pickles, only numbers and JSON. A file that is cut, altered or of another version is
refused with a reason, and the caller builds it anew.
"""

from __future__ import annotations

import json
import mmap
import os
import stat
import zlib
from collections.abc import Iterable, Mapping
from contextlib import suppress
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

MAGIC = b"casebase arrays 1\n"
ALIGN = 64
# Begins the names of blocks that hold text.
TEXT = "text "
TEMPORARY = ".tmp"

Arrays = dict[str, npt.NDArray[Any]]


class Damaged(Exception):
    """A store that cannot be used; the message says why."""


def save(path: Path, arrays: Mapping[str, npt.NDArray[Any]], tables: Mapping[str, Any],
         texts: Mapping[str, str] | None = None) -> None:
    """Writes arrays, JSON tables and long texts to `path`, all or nothing, flushed to the disk.

    Texts lie outside the JSON, where they would have to be escaped and read again letter by letter; they come
    back as the table "texts".

    Raises `OSError` when the disk does not take it; nothing is left behind then.
    """
    blocks: dict[str, bytes] = {"": json.dumps(tables, ensure_ascii=False, separators=(",", ":")).encode()}
    shapes: dict[str, tuple[str, list[int]]] = {}
    for name, array in arrays.items():
        solid = np.ascontiguousarray(array)
        blocks[name] = solid.tobytes()
        shapes[name] = (solid.dtype.str, list(solid.shape))
    for name, text in (texts or {}).items():
        blocks[TEXT + name] = text.encode()
        shapes[TEXT + name] = ("text", [])
    entries, position = {}, 0
    for name, block in blocks.items():
        kind, shape = shapes.get(name, ("json", []))
        entries[name] = {"dtype": kind, "shape": shape, "at": position, "size": len(block), "crc": zlib.crc32(block)}
        position += -(-len(block) // ALIGN) * ALIGN
    head = json.dumps(entries).encode()
    lead = MAGIC + b"%016d %010d\n" % (len(head), zlib.crc32(head))
    start = -(-(len(lead) + len(head)) // ALIGN) * ALIGN
    padded = (block.ljust(-(-len(block) // ALIGN) * ALIGN, b"\0") for block in blocks.values())
    _replace(path, chain([(lead + head).ljust(start, b"\0")], padded))


def _replace(path: Path, pieces: Iterable[bytes]) -> None:
    """Puts the pieces, one after the other, in the place of the file `path`."""
    temporary = path.with_name(f"{path.name}.{os.getpid()}{TEMPORARY}")
    try:
        with open(temporary, "wb") as file:
            file.writelines(pieces)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except OSError:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise


def load(path: Path, *, proved: bool = True) -> tuple[Arrays, dict[str, Any]]:
    """Opens a store. Raises `Damaged` for anything but a whole file of this version. Where it need not be `proved`, since it comes with the program,
    the checksums of its parts are not looked at, only the head and their sizes."""
    view = _view(path)
    lead_size = len(MAGIC) + 28
    lead = bytes(view[:lead_size])
    if not lead.startswith(MAGIC):
        raise Damaged("is of another version or not an index")
    try:
        head_size, head_crc = (int(number) for number in lead[len(MAGIC):].split())
        head = bytes(view[lead_size: lead_size + head_size])
        if zlib.crc32(head) != head_crc:
            raise Damaged("has a damaged head")
        entries = json.loads(head)
        return _blocks(view, entries, -(-(lead_size + head_size) // ALIGN) * ALIGN, proved=proved)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise Damaged(f"cannot be read ({error})") from error


def _view(path: Path) -> memoryview:
    """The bytes of a regular file; a link is not followed and a pipe not waited for."""
    if path.is_symlink():
        raise Damaged("is a link")
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        raise Damaged(f"cannot be opened ({error.strerror})") from error
    try:
        status = os.fstat(handle)
        if not stat.S_ISREG(status.st_mode):
            raise Damaged("is not a regular file")
        if not status.st_size:
            raise Damaged("is empty")
        return memoryview(mmap.mmap(handle, 0, access=mmap.ACCESS_READ))
    except OSError as error:
        raise Damaged(f"cannot be read ({error.strerror})") from error
    finally:
        os.close(handle)


def _blocks(view: memoryview, entries: dict[str, Any], start: int, *, proved: bool) -> tuple[Arrays, dict[str, Any]]:
    arrays: Arrays = {}
    tables: dict[str, Any] = {}
    texts: dict[str, str] = {}
    for name, entry in entries.items():
        block = view[start + entry["at"]: start + entry["at"] + entry["size"]]
        if len(block) != entry["size"] or (proved and zlib.crc32(block) != entry["crc"]):
            raise Damaged(f'has a damaged part ("{name or "tables"}")')
        if not name:
            tables = json.loads(bytes(block))
        elif name.startswith(TEXT):
            texts[name.removeprefix(TEXT)] = str(block, "utf-8")
        else:
            arrays[name] = np.frombuffer(block, dtype=entry["dtype"]).reshape(entry["shape"])
    if texts:
        tables["texts"] = texts
    return arrays, tables
