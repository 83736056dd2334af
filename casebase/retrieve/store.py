"""Arrays on disk: one file of raw numbers, opened by memory map and proved by checksums.

Nothing in it can run: no pickles, only numbers and JSON. A file that is cut, altered or of another version is
refused with a reason, and the caller builds it anew.
"""

from __future__ import annotations

import json
import mmap
import os
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

MAGIC = b"casebase arrays 1\n"
ALIGN = 64

Arrays = dict[str, npt.NDArray[Any]]


class Damaged(Exception):
    """A store that cannot be used; the message says why."""


def save(path: Path, arrays: Mapping[str, npt.NDArray[Any]], tables: Mapping[str, Any]) -> None:
    """Writes arrays and JSON tables to `path`, all or nothing, flushed to the disk."""
    blocks: dict[str, bytes] = {"": json.dumps(tables, ensure_ascii=False, separators=(",", ":")).encode()}
    shapes: dict[str, tuple[str, list[int]]] = {}
    for name, array in arrays.items():
        solid = np.ascontiguousarray(array)
        blocks[name] = solid.tobytes()
        shapes[name] = (solid.dtype.str, list(solid.shape))
    entries, position = {}, 0
    for name, block in blocks.items():
        kind, shape = shapes.get(name, ("json", []))
        entries[name] = {"dtype": kind, "shape": shape, "at": position, "size": len(block), "crc": zlib.crc32(block)}
        position += -(-len(block) // ALIGN) * ALIGN
    head = json.dumps(entries).encode()
    lead = MAGIC + b"%016d %010d\n" % (len(head), zlib.crc32(head))
    start = -(-(len(lead) + len(head)) // ALIGN) * ALIGN
    temporary = path.with_name(f"{path.name}.{os.getpid()}.tmp")
    with open(temporary, "wb") as file:
        file.write((lead + head).ljust(start, b"\0"))
        for block in blocks.values():
            file.write(block.ljust(-(-len(block) // ALIGN) * ALIGN, b"\0"))
        file.flush()
        os.fsync(file.fileno())
    os.replace(temporary, path)


def load(path: Path) -> tuple[Arrays, dict[str, Any]]:
    """Opens a store. Raises `Damaged` for anything but a whole file of this version."""
    try:
        with open(path, "rb") as file:
            if not os.fstat(file.fileno()).st_size:
                raise Damaged("is empty")
            view = memoryview(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ))
    except OSError as error:
        raise Damaged(f"cannot be opened ({error.strerror})") from error
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
        return _blocks(view, entries, -(-(lead_size + head_size) // ALIGN) * ALIGN)
    except (ValueError, KeyError, TypeError) as error:
        raise Damaged(f"cannot be read ({error})") from error


def _blocks(view: memoryview, entries: dict[str, Any], start: int) -> tuple[Arrays, dict[str, Any]]:
    arrays: Arrays = {}
    tables: dict[str, Any] = {}
    for name, entry in entries.items():
        block = view[start + entry["at"]: start + entry["at"] + entry["size"]]
        if len(block) != entry["size"] or zlib.crc32(block) != entry["crc"]:
            raise Damaged(f'has a damaged part ("{name or "tables"}")')
        if name:
            arrays[name] = np.frombuffer(block, dtype=entry["dtype"]).reshape(entry["shape"])
        else:
            tables = json.loads(bytes(block))
    return arrays, tables
