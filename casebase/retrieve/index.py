"""The index of a case folder: built in the user's cache folder, kept in step with the files, thrown away at will.

A base segment holds the folder as it was at the last full build; a delta segment holds the cases that are new
or changed since, so that an edit re-reads only what was edited. A case's place in both is `base` positions
first, then `delta` positions; positions whose file changed or vanished are not alive.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import accumulate
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from casebase import __version__
from casebase.problems import Problem
from casebase.record.case import OUTCOMES
from casebase.record.folder import Entry, Listing, Signature, load, read_bytes, require_folder, scan
from casebase.record.settings import Settings, read_settings
from casebase.retrieve import store
from casebase.retrieve.cache import discard, locked, writable_cache
from casebase.retrieve.digest import Digest, digest
from casebase.retrieve.learned import Learned
from casebase.retrieve.lessons import learned_part
from casebase.retrieve.lexicon import Lexicon
from casebase.retrieve.segment import Segment, Tables, build
from casebase.retrieve.weights import DEFAULTS, Weights, read_weights
from casebase.trade import DATA, terms
from casebase.trade.wording import check_terms

FORMAT = 16
# A delta above this share of the base (and this many cases) is merged by a full build.
DELTA_SHARE, DELTA_CASES = 0.1, 200

Progress = Callable[[Iterable[Entry], int], Iterable[Entry]]
Made = TypeVar("Made")


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Index:
    """An opened index: the cases of a folder at one moment.

    `alive` is a bool array over all positions of all segments. `errors` are what keeps files from being used and
    what is wrong with the folder itself; `problems` adds the warnings, of which a large folder has many. `notes`
    says in sentences what happened to the index itself. `broken` are the files of the base that hold no usable
    case, so that they are not read again until they change. `learned` is None where the cases teach too little.
    """

    folder: Path
    lexicon: Lexicon
    tables: Tables
    segments: tuple[Segment, ...]
    alive: npt.NDArray[np.bool_]
    settings: Settings
    errors: tuple[Problem, ...]
    warnings: Callable[[], tuple[Problem, ...]] = tuple
    notes: tuple[str, ...] = ()
    broken: dict[str, Signature] = field(default_factory=dict)
    learned: Learned | None = None
    weights: Weights = DEFAULTS
    _frequencies: dict[int, npt.NDArray[np.int64]] = field(default_factory=dict, init=False)
    _made: dict[Callable[[Index], Any], Any] = field(default_factory=dict, init=False)

    @property
    def problems(self) -> tuple[Problem, ...]:
        """All that is wrong or doubtful in the folder's files."""
        return (*self.errors, *self.warnings())

    @property
    def size(self) -> int:
        """The number of cases that count."""
        return int(self.alive.sum())

    def positions(self) -> list[int]:
        """The positions of the cases that count."""
        return [int(place) for place in np.flatnonzero(self.alive)]

    def once(self, make: Callable[[Index], Made]) -> Made:
        """What `make` gives for this index, made when it is first asked for and kept with the index."""
        if make not in self._made:
            self._made[make] = make(self)
        found: Made = self._made[make]
        return found

    def frequencies(self, features: npt.NDArray[np.uint64]) -> npt.NDArray[np.int64]:
        """In how many cases that count each of the features stands."""
        total = np.zeros(len(features), dtype=np.int64)
        for offset, segment in zip(self.offsets, self.segments, strict=True):
            total += self._frequencies_in(offset, segment)[segment.places(features)]
        return total

    def _frequencies_in(self, offset: int, segment: Segment) -> npt.NDArray[np.int64]:
        """For each feature of a segment the number of its cases that count, and at the end 0 for one it does not have."""
        if offset not in self._frequencies:
            at = segment["post_at"]
            counts = np.append(np.diff(at), 0)
            gone = np.flatnonzero(~self.alive[offset: offset + segment.size])
            if len(gone):
                rows = np.flatnonzero(np.isin(segment["post_case"], gone))
                counts -= np.bincount(np.searchsorted(at, rows, side="right") - 1, minlength=len(counts))
            self._frequencies[offset] = counts
        return self._frequencies[offset]

    @property
    def offsets(self) -> tuple[int, ...]:
        """The position at which each segment begins."""
        return tuple(accumulate((segment.size for segment in self.segments[:-1]), initial=0))

    def locate(self, position: int) -> tuple[Segment, int]:
        """The segment of a position and the place within it."""
        if len(self.segments) == 1 and position >= 0:  # the usual case, met thousands of times in a question
            return self.segments[0], position
        for offset, segment in zip(reversed(self.offsets), reversed(self.segments), strict=True):
            if position >= offset:
                return segment, position - offset
        raise IndexError(position)

    def id(self, position: int) -> str:
        segment, place = self.locate(position)
        return segment.id(place)

    def shown(self, position: int) -> tuple[str, str, str]:
        """What a list of cases shows of one: its title, kind of machine, and outcome (else its status)."""
        segment, place = self.locate(position)
        kind, outcome = int(segment["kind"][place]), int(segment["outcome"][place])
        status = "open" if segment["open"][place] else "closed"
        return (segment.title(place), str(self.tables.lists["kind"][kind]) if kind >= 0 else "",
                OUTCOMES[outcome] if outcome >= 0 else status)

    def came_back(self, position: int) -> bool:
        """Whether the repair of that case did not hold."""
        segment, place = self.locate(position)
        return bool(segment.plain("came_back")[place])

    def column(self, name: str) -> npt.NDArray[Any]:
        """One value per position, over all segments."""
        if len(self.segments) == 1:
            return self.segments[0][name]
        return np.concatenate([segment[name] for segment in self.segments])

    def cases_with(self, column: str, pointer: str, number: int) -> tuple[str, ...]:
        """Ids of the cases that have a number among the rows of a list column ("check" by "checks_at")."""
        found: list[str] = []
        for segment, offset in zip(self.segments, self.offsets, strict=True):
            rows = np.flatnonzero(segment[column] == number) if number >= 0 else np.zeros(0, dtype=np.int64)
            owners = np.unique(np.searchsorted(segment[pointer], rows, side="right") - 1)
            found += [segment.id(int(owner)) for owner in owners if self.alive[int(owner) + offset]]
        return tuple(dict.fromkeys(found))

    def row(self, name: str, position: int) -> list[int]:
        segment, place = self.locate(position)
        return segment.numbers(name, place)

    def labels(self, name: str, table: str, position: int) -> tuple[str, ...]:
        """The labels of a list column for one case."""
        labels = self.tables.lists[table]
        return tuple([labels[number] for number in self.row(name, position)])


def open_index(folder: Path, progress: Progress | None = None, *, rebuild: bool = False) -> Index:
    """The index of `folder`, brought up to date first.

    Parameters: `progress` wraps the files being read (for a progress bar); `rebuild` starts from nothing.
    Raises `Refused` when the folder cannot be read. An index that cannot be stored is built in memory for
    this once, and says so in `notes`.
    """
    require_folder(folder)
    listing = scan(folder)
    settings, problems = read_settings(folder)
    place, notes = writable_cache(folder)
    index = None if rebuild else _up_to_date(_load(place, folder, notes), listing, place)
    built = False
    if index is None:
        with locked(place):
            base = None if rebuild else _load(place, folder, notes)
            index = _up_to_date(base, listing, place)
            if index is None and base is not None and _is_small(_changes(base, listing), base):
                index = _build_delta(base, listing, place, progress, notes)
            if index is None:
                index, built = _build_base(folder, listing, place, progress, notes), True
    learned = learned_part(index, place, built=built, notes=notes)
    return replace(index, settings=settings, errors=(*problems, *listing.problems, *index.errors),
                   notes=tuple(dict.fromkeys(notes)), learned=learned, weights=read_weights(place))


def in_memory(digests: Sequence[Digest], lexicon: Lexicon) -> Index:
    """An index of cases that lie in no folder, for measuring; it has no learned part."""
    tables = Tables()
    segment = build(digests, [(0, 0, 0, 0)] * len(digests), tables)
    return Index(Path(), lexicon, tables, (segment,), np.ones(segment.size, dtype=np.bool_), Settings(), ())


def _is_small(changes: _Changes, base: Index) -> bool:
    return len(changes.entries) <= max(DELTA_CASES, DELTA_SHARE * base.segments[0].size)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class _Changes:
    """How a folder differs from a base: positions still alive, and the files to be read anew."""

    alive: npt.NDArray[np.bool_]
    entries: tuple[Entry, ...]


def _vocabulary_mark(folder: Path) -> str:
    """Changes whenever the words could be read differently: the program's version or the folder's vocabulary."""
    path = folder / terms.FILE_NAME
    data = read_bytes(path) if os.path.lexists(path) else b""
    own = data.message.encode() if isinstance(data, Problem) else data
    return hashlib.blake2b(own + f"{FORMAT} {__version__} {_data_mark()}".encode(), digest_size=12).hexdigest()


def _data_mark() -> str:
    """Sizes and times of the package's own data files, for those who edit them in place."""
    return " ".join(f"{item.name}:{item.stat().st_size}:{item.stat().st_mtime_ns}" for item in sorted(DATA.iterdir()))


def _load(place: Path | None, folder: Path, notes: list[str]) -> Index | None:
    """The stored base, or None where there is none that can be used; a damaged one is noted and put away."""
    if place is None or not os.path.lexists(place / "base"):
        return None
    path = place / "base"
    try:
        arrays, tables = store.load(path)
        if tables["mark"] != _vocabulary_mark(folder):
            return None
        return _from_store(folder, arrays, tables)
    except store.Damaged as error:
        notes.append(f"the stored index {error}; it was built anew")
    except (KeyError, TypeError, ValueError) as error:
        notes.append(f"the stored index lacks a part ({error}); it was built anew")
    discard(path)
    return None


def _from_store(folder: Path, arrays: store.Arrays, tables: dict[str, Any]) -> Index:
    segment = Segment(arrays, len(arrays["length"]))
    return Index(folder, Lexicon.from_json(tables["texts"]), Tables(tables["labels"]), (segment,),
                 np.ones(segment.size, dtype=np.bool_), Settings(), *_stored(tables, folder),
                 broken={name: tuple(signature) for name, signature in tables["broken"].items()})


Warnings = Callable[[], tuple[Problem, ...]]


def _stored(tables: dict[str, Any], folder: Path) -> tuple[tuple[Problem, ...], Warnings]:
    """The errors of a store, and its warnings, which are decoded only when asked for."""
    return _decoded(tables["errors"], folder), lambda: _decoded(json.loads(tables["warnings"]), folder)


def _decoded(records: list[dict[str, Any]], folder: Path) -> tuple[Problem, ...]:
    """Stored problems; their files are called by the path the folder goes by now."""
    return tuple(Problem.from_json(record | {"file": str(folder / record["file"])}) for record in records)


def _to_store(problems: Iterable[Problem]) -> dict[str, Any]:
    gathered = list(problems)
    records = [problem.as_json() | {"file": os.path.basename(problem.file)} for problem in gathered]
    return {"errors": [record for record in records if record["severity"] == "error"],
            "warnings": json.dumps([record for record in records if record["severity"] != "error"])}


def _keep(place: Path | None, name: str, arrays: store.Arrays, tables: dict[str, Any], notes: list[str],
          texts: Mapping[str, str] | None = None) -> None:
    """Stores a segment; where the disk does not take it, it serves this once from memory."""
    if place is None:
        return
    if (place / name).is_dir():
        discard(place / name)
    try:
        store.save(place / name, arrays, tables, texts)
    except OSError as error:
        notes.append(f"the index could not be stored in {place} ({error.strerror}), so it will be built anew")


def _build_base(folder: Path, listing: Listing, place: Path | None, progress: Progress | None,
                notes: list[str]) -> Index:
    vocabulary, word_problems = terms.folder_vocabulary(folder)
    lexicon = Lexicon.build(vocabulary)
    tables = Tables()
    read = _read_all(listing.entries, lexicon, progress)
    segment = build(read.digests, read.signatures, tables)
    kept = _to_store((*word_problems, *read.problems))
    _keep(place, "base", segment.arrays, {
        "mark": _vocabulary_mark(folder), "labels": tables.lists, "broken": read.broken, **kept}, notes,
        lexicon.as_json())
    if place is not None:
        discard(place / "delta")
    return Index(folder, lexicon, tables, (segment,), np.ones(segment.size, dtype=np.bool_), Settings(),
                 *_stored(kept, folder), broken=read.broken)


@dataclass(slots=True, eq=False, repr=False)
class _Read:
    """What came of reading a set of files."""

    digests: list[Digest] = field(default_factory=list)
    signatures: list[Signature] = field(default_factory=list)
    broken: dict[str, Signature] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)


def _read_all(entries: Sequence[Entry], lexicon: Lexicon, progress: Progress | None) -> _Read:
    read = _Read()
    for entry in progress(entries, len(entries)) if progress else entries:
        reading = load(entry.path, entry.id)
        read.problems += (*reading.problems, *check_terms(reading, lexicon.vocabulary, str(entry.path)))
        if reading.case is None:
            read.broken[entry.id] = entry.signature
        else:
            read.digests.append(digest(reading.case, lexicon))
            read.signatures.append(entry.signature)
    return read


def _changes(base: Index, listing: Listing) -> _Changes:
    """Which base positions are still true to their files, and which files the base has not seen so."""
    segment = base.segments[0]
    known = dict(zip(segment.ids(), enumerate(map(tuple, segment["signature"].tolist())), strict=True))
    known |= {name: (-1, signature) for name, signature in base.broken.items()}
    alive = np.zeros(segment.size, dtype=np.bool_)
    fresh = []
    for entry in listing.entries:
        position, signature = known.get(entry.id, (-1, ()))
        if signature != entry.signature:
            fresh.append(entry)
        elif position >= 0:
            alive[position] = True
    return _Changes(alive, tuple(fresh))


def _up_to_date(base: Index | None, listing: Listing, place: Path | None) -> Index | None:
    """The base, with the stored delta where files changed, if together they are true to the folder."""
    if base is None or place is None:
        return None
    changes = _changes(base, listing)
    if not changes.entries:
        still = _still_there(listing, changes)
        return replace(base, alive=changes.alive, errors=still(base.errors), warnings=lambda: still(base.warnings()))
    try:
        arrays, tables = store.load(place / "delta")
        if tables["of"] != _of(changes):
            return None
        segment = Segment(arrays, len(arrays["length"]))
        return _joined(base, listing, changes, segment, Tables(tables["labels"]),
                       *_stored(tables, base.folder))
    except (store.Damaged, KeyError, TypeError, ValueError):
        return None


def _build_delta(base: Index, listing: Listing, place: Path | None, progress: Progress | None,
                 notes: list[str]) -> Index:
    changes = _changes(base, listing)
    tables = Tables(base.tables.lists)
    read = _read_all(changes.entries, base.lexicon, progress)
    segment = build(read.digests, read.signatures, tables)
    kept = _to_store(read.problems)
    _keep(place, "delta", segment.arrays, {"of": _of(changes), "labels": tables.lists, **kept}, notes)
    return _joined(base, listing, changes, segment, tables, *_stored(kept, base.folder))


def _of(changes: _Changes) -> list[list[Any]]:
    return [[entry.id, *entry.signature] for entry in changes.entries]


def _joined(base: Index, listing: Listing, changes: _Changes, segment: Segment, tables: Tables,
            found: tuple[Problem, ...], warned: Warnings) -> Index:
    alive = np.concatenate([changes.alive, np.ones(segment.size, dtype=np.bool_)])
    still = _still_there(listing, changes)
    return replace(base, tables=tables, segments=(*base.segments, segment), alive=alive,
                   errors=(*still(base.errors), *found), warnings=lambda: (*still(base.warnings()), *warned()))


def _still_there(listing: Listing, changes: _Changes) -> Callable[[Iterable[Problem]], tuple[Problem, ...]]:
    """A filter that keeps the problems of files that are there unchanged, and of files that are no cases."""
    there = {entry.id for entry in listing.entries} - {entry.id for entry in changes.entries}

    def still(problems: Iterable[Problem]) -> tuple[Problem, ...]:
        return tuple(p for p in problems if not p.file.endswith(".md") or Path(p.file).stem in there)

    return still
