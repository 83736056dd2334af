"""Small files of the program that only the user who runs it can read: the log-in token, which forms were written.

What others could read or could have put there is not believed: it counts as not there and is written anew.
"""

from __future__ import annotations

import os
import stat
import time
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from casebase.retrieve.store import TEMPORARY

NOT_THERE = float("inf")


class Own(NamedTuple):
    """What a file holds and how many seconds ago it was written; a file that is not there is as old as can be."""

    data: bytes = b""
    age: float = NOT_THERE


def read_own(path: Path, most: int) -> Own:
    """At most so many bytes of a file, if it is a plain file of this user that nobody else can read or write."""
    try:
        # Without O_NONBLOCK a pipe in its place would keep the program waiting.
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError:
        return Own()
    try:
        status = os.fstat(handle)
        if not stat.S_ISREG(status.st_mode) or status.st_uid != os.getuid() or status.st_mode & 0o077:
            return Own()
        return Own(os.read(handle, most), time.time() - status.st_mtime)
    except OSError:
        return Own()
    finally:
        os.close(handle)


def write_own(path: Path, data: bytes) -> bool:
    """Writes the file whole or not at all; whether it was written."""
    aside = path.with_name(path.name + TEMPORARY)
    with suppress(OSError):  # what a killed run left
        aside.unlink()
    try:
        handle = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
    except OSError:
        return False
    try:
        with open(handle, "wb") as file:
            file.write(data)
        os.replace(aside, path)
        return True
    except OSError:
        with suppress(OSError):
            aside.unlink()
        return False
