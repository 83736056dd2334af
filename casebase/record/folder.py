"""A case folder on disk: what is in it, reading one file, writing one safely.

Only regular files directly inside the folder count as cases; links, pipes and directories named like cases
are named and passed over, never opened. A save is all or nothing: the new text goes to a temporary file, is
flushed to the disk and then takes the place of the old one.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from casebase.problems import Problem, refuse
from casebase.record.case import Case
from casebase.record.casefile import MAX_FILE_BYTES, Reading, read

MAX_ID = 120
TEMPORARY = ".casebase-"

_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
_RESERVED = {"con", "prn", "aux", "nul", *(f"com{n}" for n in range(1, 10)), *(f"lpt{n}" for n in range(1, 10))}
_NOT_CASES = {"readme.md"}
_OPEN_FLAGS = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
_OPEN_FLAGS |= getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)

Signature = tuple[int, int, int, int]
"""Size, modification time, change time (both ns) and inode: enough to notice any change of a file."""


class Entry(NamedTuple):
    """A file that may hold a case. Its path is made only when asked for: a large folder has many."""

    id: str
    folder: str
    signature: Signature

    @property
    def path(self) -> Path:
        return Path(self.folder, f"{self.id}.md")


class Listing(NamedTuple):
    """What a folder holds: case files in the order of their ids, and what was passed over and why."""

    entries: tuple[Entry, ...]
    problems: tuple[Problem, ...]


def id_problem(case_id: str) -> str:
    """Why `case_id` cannot be the name of a case, or "" when it can."""
    if not _ID.fullmatch(case_id) or case_id.endswith("."):
        return "may hold only letters a-z, digits, dot, dash and underscore, and begins with a letter or digit"
    if len(case_id) > MAX_ID:
        return f"is longer than {MAX_ID} characters"
    if case_id.split(".")[0].casefold() in _RESERVED:
        return "is a name some systems reserve"
    return ""


def require_folder(path: Path) -> Path:
    """`path` if it is a directory that can be read, else `Refused`."""
    if not path.is_dir():
        raise refuse("no-folder", f"{path} is not a folder", "casebase start DIR makes one, --cases DIR names one",
                     field="--cases")
    if not os.access(path, os.R_OK | os.X_OK):
        raise refuse("no-access", f"{path} may not be read", "check its permissions", field="--cases")
    return path


def scan(folder: Path) -> Listing:
    """Lists the case files of a folder. Costs one `stat` per file and opens none."""
    entries: list[Entry] = []
    problems: list[Problem] = []
    seen: dict[str, str] = {}
    with os.scandir(require_folder(folder)) as found:
        for item in sorted(found, key=lambda item: item.name.removesuffix(".md")):
            folded = item.name.casefold()
            if not folded.endswith(".md") or folded[0] in "._" or folded in _NOT_CASES:
                continue
            case_id = item.name[:-3]
            reason = _not_a_file(item) or (f"its name {id_problem(case_id)}" if id_problem(case_id) else "")
            if reason:
                problems.append(Problem("skipped", f"is passed over: {reason}", "a case is a plain file named like "
                                        "26-014-dies-when-tilted.md", file=item.path))
                continue
            twin = seen.setdefault(case_id.casefold(), case_id)
            if twin != case_id:
                problems.append(Problem("id-case", f"differs from {twin}.md only in capital letters",
                                        "rename one; some disks hold them to be the same file", file=item.path,
                                        severity="warning"))
            try:
                status = item.stat(follow_symlinks=False)
            except FileNotFoundError:  # removed since the folder was listed
                continue
            entries.append(Entry(case_id, str(folder), (status.st_size, status.st_mtime_ns,
                                                        status.st_ctime_ns, status.st_ino)))
    return Listing(tuple(entries), tuple(problems))


def _not_a_file(item: os.DirEntry[str]) -> str:
    if item.is_symlink():
        return "it is a link"
    if item.is_dir(follow_symlinks=False):
        return "it is a directory"
    if not item.name.endswith(".md"):
        return "its name must end in .md, in small letters"
    return "" if item.is_file(follow_symlinks=False) else "it is not a regular file"


def load(path: Path, case_id: str | None = None) -> Reading:
    """Reads one case file. A file that vanished or may not be read is a problem, not an exception."""
    data = read_bytes(path)
    if isinstance(data, Problem):
        return Reading(None, (data,), {})
    return read(data, path.stem if case_id is None else case_id, str(path))


def read_bytes(path: Path) -> bytes | Problem:
    """The bytes of a regular file, never following a link nor waiting on a pipe, or why there are none."""
    try:
        handle = os.open(path, _OPEN_FLAGS)
    except OSError as error:
        return Problem("unreadable", f"cannot be read ({error.strerror})", "check that it exists and its permissions",
                       file=str(path))
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)  # a directory can be opened like this, but not be made a file object of
        return Problem("unreadable", "is not a regular file", "a case is a plain text file", file=str(path))
    with os.fdopen(handle, "rb") as file:
        return file.read(MAX_FILE_BYTES + 1)


def load_all(folder: Path) -> tuple[list[Case], list[Problem]]:
    """Every readable case of a folder, and all that is wrong with the others."""
    listing = scan(folder)
    cases, problems = [], list(listing.problems)
    for entry in listing.entries:
        reading = load(entry.path, entry.id)
        problems += reading.problems
        if reading.case is not None:
            cases.append(reading.case)
    return cases, problems


def find_case(folder: Path, reference: str) -> Entry:
    """The one case that `reference` names: its id, its number (26-014 or just 14), or a part of its id.

    Raises `Refused` when none or several fit, naming them.
    """
    whole = None if id_problem(reference) else _entry(folder, reference)
    if whole is not None:  # the usual case, for which a large folder need not be listed
        return whole
    entries = scan(folder).entries
    exact = [entry for entry in entries if entry.id == reference]
    by_number = [entry for entry in entries if _has_number(entry.id, reference)]
    wanted = reference.casefold().strip()
    partial = [entry for entry in entries if wanted and wanted in entry.id.casefold()]
    found = exact or _latest_year(by_number) or partial
    if len(found) == 1:
        return found[0]
    if not found:
        raise refuse("no-case", f'there is no case "{reference}" in {folder}', "casebase find lists case numbers",
                     field="CASE")
    some = ", ".join(entry.id for entry in found[:5]) + (" …" if len(found) > 5 else "")
    raise refuse("which-case", f'"{reference}" fits {len(found)} cases: {some}', "give more of the name", field="CASE")


def _entry(folder: Path, case_id: str) -> Entry | None:
    """The case with exactly this id; None where no regular file has its name."""
    try:
        status = os.lstat(folder / f"{case_id}.md")
    except OSError:
        return None
    if not stat.S_ISREG(status.st_mode) or f"{case_id}.md".casefold() in _NOT_CASES or case_id[0] in "._":
        return None
    return Entry(case_id, str(folder), (status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino))


_NUMBER = re.compile(r"(?P<year>\d\d)-(?P<number>\d{3,})(?:-|$)")


def _has_number(case_id: str, reference: str) -> bool:
    match = _NUMBER.match(case_id)
    if not match:
        return False
    if reference.isdecimal() and reference.isascii():
        return match["number"].lstrip("0") == reference.lstrip("0")
    return reference == f"{match['year']}-{match['number']}"


def _latest_year(entries: list[Entry]) -> list[Entry]:
    latest = max((entry.id[:2] for entry in entries), default="")
    return [entry for entry in entries if entry.id[:2] == latest]


def write_new(path: Path, text: str, *, durable: bool = True) -> bool:
    """Creates the case file `path` with `text`, all or nothing; False when the name is taken.

    Raises `Refused` for a name no case may have, or when the disk does not take it. Without `durable` the
    caller flushes the folder itself, once for many files.
    """
    if id_problem(path.stem):
        raise refuse("id", f'"{path.stem}" cannot name a case: it {id_problem(path.stem)}', "choose another name")
    return write_new_text(path, text, durable=durable)


def write_new_text(path: Path, text: str, *, durable: bool = True) -> bool:
    """Creates any text file as `write_new` does."""
    try:
        data = text.encode()
    except UnicodeEncodeError as error:
        raise refuse("encoding", f"{path} was not saved (character {error.start + 1} is half of one)",
                     "remove it and type it again") from error
    return write_new_bytes(path, data, durable=durable)


def write_new_bytes(path: Path, data: bytes, *, durable: bool = True) -> bool:
    """Creates any file as `write_new` does."""
    temporary = _write_temporary(path, data, durable)
    try:
        os.link(temporary, path)
    except FileExistsError:
        return False
    except OSError as error:
        raise refuse("not-saved", f"{path} was not saved ({error.strerror})",
                     "nothing was changed; check space and permissions", usage=False) from error
    finally:
        _discard(temporary)
    if durable:
        sync_directory(path.parent)
    return True


def replace(path: Path, data: bytes) -> None:
    """Puts `data` in the place of the file `path`, all or nothing.

    Raises `Refused` when the disk does not take it; the old file is untouched then. Its permissions stay.
    """
    temporary = _write_temporary(path, data, durable=True)
    try:
        with suppress(OSError):
            os.chmod(temporary, stat.S_IMODE(os.stat(path).st_mode))
        os.replace(temporary, path)
    except OSError as error:
        _discard(temporary)
        raise refuse("not-saved", f"{path} was not saved ({error.strerror})", "the old file is unchanged",
                     usage=False) from error
    sync_directory(path.parent)


def _write_temporary(path: Path, data: bytes, durable: bool) -> Path:
    """Writes `data` beside `path`. With `durable`, it has reached the disk before this returns."""
    temporary = path.with_name(f"{TEMPORARY}{os.urandom(8).hex()}.tmp")
    try:
        with open(temporary, "xb") as file:
            file.write(data)
            if durable:
                file.flush()
                os.fsync(file.fileno())
    except OSError as error:
        _discard(temporary)
        raise refuse("not-saved", f"{path} was not saved ({error.strerror})",
                     "nothing was changed; check space and permissions", usage=False) from error
    return temporary


def _discard(temporary: Path) -> None:
    with suppress(OSError):
        temporary.unlink()


def sync_directory(folder: Path) -> None:
    """Makes the names in a folder durable; a no-op where the system cannot do that for directories."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def sweep(folder: Path, names: Iterable[str] | None = None) -> int:
    """Removes temporary files that a killed save left behind; returns how many."""
    stray = [name for name in (os.listdir(folder) if names is None else names)
             if name.startswith(TEMPORARY) and name.endswith(".tmp")]
    removed = 0
    for name in stray:
        with suppress(OSError):
            (folder / name).unlink()
            removed += 1
    return removed


def in_file(problems: Iterable[Problem]) -> dict[str, list[Problem]]:
    """Problems by file, in order of place."""
    grouped: dict[str, list[Problem]] = {}
    for problem in sorted(problems, key=lambda p: (p.file, p.place.line, p.place.column)):
        grouped.setdefault(problem.file, []).append(problem)
    return grouped


