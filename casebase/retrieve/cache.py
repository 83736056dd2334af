"""Where what is built from a case folder is kept: in the user's cache folder, never inside the folder itself."""

from __future__ import annotations

import fcntl
import hashlib
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from casebase.retrieve import store


def cache_folder(folder: Path) -> Path:
    """Where the index of a folder lives: never inside the folder itself."""
    from platformdirs import user_cache_path

    name = hashlib.blake2b(os.fsencode(folder.resolve()), digest_size=12).hexdigest()
    return user_cache_path("casebase") / name


def writable_cache(folder: Path) -> tuple[Path | None, list[str]]:
    """The cache folder of a case folder, made if missing; None, with a note saying so, where it cannot be written."""
    place = cache_folder(folder)
    with suppress(OSError):
        place.mkdir(parents=True, exist_ok=True, mode=0o700)
        if os.access(place, os.W_OK):
            return place, []
    return None, [f"the cache folder {place} cannot be written, so the index is built anew each time"]


def shared_cache(name: str) -> Path | None:
    """A file in the cache folder that serves all case folders; None where none can be kept."""
    from platformdirs import user_cache_path

    place = user_cache_path("casebase")
    with suppress(OSError):
        place.mkdir(parents=True, exist_ok=True, mode=0o700)
        return place / name
    return None


@contextmanager
def locked(place: Path | None) -> Iterator[None]:
    """One builder at a time; the lock goes with the process that holds it. What a killed one left is removed."""
    if place is None:
        yield
        return
    path = place / "lock"
    if os.path.lexists(path) and not stat.S_ISREG(path.lstat().st_mode):
        discard(path)
    with open(path, "w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        for stray in place.glob(f"*{store.TEMPORARY}"):
            discard(stray)
        yield


def discard(path: Path) -> None:
    """Removes whatever stands where the index should be: a file or a link; a directory is only set aside."""
    with suppress(OSError):
        if path.is_dir() and not path.is_symlink():
            path.rename(path.with_name(f"{path.name}.{os.urandom(4).hex()}.set-aside"))
        else:
            path.unlink()
