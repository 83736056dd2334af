"""Exact full-text look-up over the case files: words, phrases, fields, AND, OR, NOT.

The only home of whoosh, loaded by nothing else. Its index is a throw-away cache in the user's cache folder:
whoosh unpickles its schema, so an index that came with somebody's case folder is never opened. It is proved by
checksums before it is opened, because whoosh itself does not notice a changed bit. Passages are always cut from
the case files, not from the index.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import stat
import warnings
import zlib
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from casebase import __version__
from casebase.problems import refuse
from casebase.record.case import Case, Check, Setting, citation
from casebase.record.folder import Entry, load, require_folder, scan
from casebase.retrieve.cache import locked, writable_cache
from casebase.retrieve.index import Progress

FORMAT = 3
KNOWN = "known"
MAX_QUERY = 500
PASSAGE = 160
# Deeper brackets would exhaust the stack of the parser; such a query is read as plain words.
MAX_BRACKETS = 20

FIELDS = ("title", "complaint", "symptoms", "machine", "steps", "causes", "outcome", "body")


@dataclass(frozen=True, slots=True)
class Hit:
    """A case that fits. `passage` is the piece of its file with the most of the words asked for."""

    id: str
    title: str
    passage: str

    @property
    def number(self) -> str:
        return citation(self.id)


@dataclass(frozen=True, slots=True)
class LookUp:
    """The cases that fit a query, how it was read, and a better spelling when nothing fits.

    `notes` says in sentences what happened to the index of the look-up.
    """

    hits: tuple[Hit, ...]
    total: int
    read_as: str
    suggestion: str
    notes: tuple[str, ...]


def look_up(folder: Path, query: str, limit: int = 20, progress: Progress | None = None) -> LookUp:
    """Cases of `folder` that fit `query`, best first.

    Words are joined by AND. A query that is not well formed is read as plain words, never refused for its
    form. Raises `Refused` for an empty or overlong query or a folder that cannot be read.
    """
    if not any(char.isalnum() for char in query):
        raise refuse("no-words", "there are no words in this", "for example: bulb AND (leak OR split)", field="QUERY")
    if len(query) > MAX_QUERY:
        raise refuse("too-long", f"the query has {len(query):,} characters; {MAX_QUERY} are allowed",
                     "use fewer words", field="QUERY")
    require_folder(folder)
    place, notes = writable_cache(folder)
    with warnings.catch_warnings(), locked(place):
        warnings.simplefilter("ignore")  # whoosh warns of its own old syntax
        index = _current(folder, place, progress, notes)
        with index.searcher() as searcher:
            return _search(searcher, folder, query, limit, notes)


def _search(searcher: Any, folder: Path, query: str, limit: int, notes: Sequence[str]) -> LookUp:
    parsed = _parse(query, searcher.schema)
    results = searcher.search(parsed, limit=limit)
    words = {text.decode() for _field, text in parsed.existing_terms(searcher.reader(), expand=True)}
    hits = []
    for result in results:
        case = load(folder / f"{result['id']}.md", result["id"]).case
        if case is not None:
            hits.append(Hit(case.id, case.title, passage(case, words)))
    suggestion = "" if hits else _suggestion(searcher, query)
    return LookUp(tuple(hits), len(results), str(parsed).replace("text:", ""), suggestion, tuple(notes))


def _suggestion(searcher: Any, query: str) -> str:
    """The query with its unknown words spelt as the nearest known ones, if that finds something, else ""."""
    reader, corrector = searcher.reader(), searcher.corrector("text")

    def known(word: re.Match[str]) -> str:
        text = word[0].lower()
        if len(text) < 4 or ("text", text) in reader:
            return word[0]
        near = corrector.suggest(text, limit=1, maxdist=1 if len(text) < 8 else 2)
        return str(near[0]) if near else word[0]

    better = re.sub(r"\w+\b(?!:)", known, query)
    return better if better != query and len(searcher.search(_parse(better, searcher.schema), limit=1)) else ""


def _parse(query: str, schema: Any) -> Any:
    """Words, phrases, fields, prefixes and operators; what is not well formed is read as plain words."""
    from whoosh import query as queries
    from whoosh.qparser import FieldsPlugin, GroupPlugin, OperatorsPlugin, PhrasePlugin, PrefixPlugin, QueryParser

    full = [FieldsPlugin(), PrefixPlugin(), PhrasePlugin(), GroupPlugin(),
            OperatorsPlugin(AndNot=None, AndMaybe=None, Require=None)]
    parsed = queries.NullQuery
    if query.count("(") <= MAX_BRACKETS:
        with suppress(Exception):
            parsed = QueryParser("text", schema, plugins=full).parse(query).normalize()
    if parsed == queries.NullQuery:
        parsed = QueryParser("text", schema, plugins=[]).parse(" ".join(re.findall(r"\w+", query))).normalize()
    return parsed


def _current(folder: Path, place: Path | None, progress: Progress | None, notes: list[str]) -> Any:
    """The whoosh index in step with the folder; in memory where it cannot be stored."""
    from whoosh.filedb.filestore import RamStorage

    entries = scan(folder).entries
    if place is not None:
        try:
            return _stored(place / "lookup", entries, progress, notes)
        except OSError as error:
            notes.append(f"the index could not be stored in {place} ({error.strerror}), so it will be built anew")
    index = RamStorage().create_index(_schema())
    _update(index, entries, {}, progress)
    return index


def _stored(place: Path, entries: Sequence[Entry], progress: Progress | None, notes: list[str]) -> Any:
    from whoosh import index as whoosh_index

    known = _known(place, notes)
    if known is None:
        _clear(place)
        index, known = whoosh_index.create_in(place, _schema()), {}
    else:
        index = whoosh_index.open_dir(place)
    if _update(index, entries, known, progress):
        text = json.dumps({"version": f"{FORMAT} {__version__}", "parts": _checksums(place),
                           "files": {entry.id: entry.signature for entry in entries}})
        (place / KNOWN).write_text(f"{zlib.crc32(text.encode())}\n{text}")
    return index


def _clear(place: Path) -> None:
    """An empty directory at `place`, whatever stands there."""
    if place.is_dir() and not place.is_symlink():
        shutil.rmtree(place)
    else:
        place.unlink(missing_ok=True)
    place.mkdir(mode=0o700)


def _update(index: Any, entries: Sequence[Entry], known: dict[str, list[int]], progress: Progress | None) -> bool:
    """Reads changed files again and forgets vanished ones; whether there was anything to do."""
    changed = [entry for entry in entries if known.get(entry.id) != list(entry.signature)]
    gone = known.keys() - {entry.id for entry in entries}
    if not changed and not gone and known:
        return False
    writer = index.writer(limitmb=256)
    for case_id in gone:
        writer.delete_by_term("id", case_id)
    for entry in progress(changed, len(changed)) if progress else changed:
        _write(writer, entry, fresh=entry.id not in known)
    writer.commit()
    return True


def _known(place: Path, notes: list[str]) -> dict[str, list[int]] | None:
    """The signatures of the files the stored index was made from; None where it is of no use."""
    if not os.path.lexists(place):
        return None
    try:
        if place.is_symlink():
            raise ValueError("is a link")
        parts = _checksums(place)
        proof, _, text = (place / KNOWN).read_text().partition("\n")
        data = json.loads(text)
        if data["version"] != f"{FORMAT} {__version__}":
            return None
        if proof != str(zlib.crc32(text.encode())) or data["parts"] != parts:
            raise ValueError("has a damaged part")
        return dict(data["files"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        notes.append(f"the stored index of the look-up cannot be used ({reason}); it was built anew")
        return None


def _checksums(place: Path) -> dict[str, int]:
    """A checksum of every file of the stored index. Raises `ValueError` for what is not a plain file."""
    found = {}
    for part in sorted(place.iterdir()):
        if not stat.S_ISREG(part.lstat().st_mode):
            raise ValueError("holds what is not a regular file")
        if part.name not in (KNOWN, "MAIN_WRITELOCK"):
            found[part.name] = zlib.crc32(part.read_bytes())
    return found


def _schema() -> Any:
    from whoosh.analysis import StandardAnalyzer
    from whoosh.fields import ID, TEXT, Schema

    plain = StandardAnalyzer(stoplist=None, minsize=1)
    return Schema(id=ID(stored=True, unique=True), text=TEXT(analyzer=plain, spelling=True),
                  **{name: TEXT(analyzer=plain) for name in FIELDS})


def _write(writer: Any, entry: Entry, *, fresh: bool) -> None:
    case = load(entry.path, entry.id).case
    if case is None:
        if not fresh:
            writer.delete_by_term("id", entry.id)
        return
    fields = dict(texts(case))
    document = {"id": entry.id, "text": "\n".join(fields.values()), **fields}
    if fresh:
        writer.add_document(**document)
    else:
        writer.update_document(**document)


def texts(case: Case) -> Iterator[tuple[str, str]]:
    """The fields that can be searched, with their text. Nothing private is among them."""
    yield "title", case.title
    yield "complaint", case.complaint
    yield "symptoms", "; ".join((*case.symptoms, *case.absent))
    yield "machine", " ".join(filter(None, (case.machine.kind, case.machine.engine, case.machine.carburettor,
                                            case.machine.make, case.machine.model, case.machine.tag)))
    yield "steps", ". ".join(_step_text(step) for step in case.steps)
    yield "causes", "; ".join(fault.fault for fault in case.causes)
    yield "outcome", case.outcome or case.status
    yield "body", "\n".join((case.body, *case.proof, *case.advice))


def _step_text(step: Any) -> str:
    if isinstance(step, Check):
        return f"{step.check}: {step.found} {step.note}"
    if isinstance(step, Setting):
        return f"{step.setting} from {step.before} to {step.after} {step.note}"
    return f"{', '.join(step.actions)} {step.note}"


def passage(case: Case, words: set[str]) -> str:
    """The sentence of the case with the most of the words, cut to about PASSAGE characters."""
    best, score = "", 0
    for _field, text in texts(case):
        for sentence in re.split(r"(?<=[.;!?])\s+|\n", text):
            found = len(words & set(re.findall(r"\w+", sentence.lower())))
            if found > score:
                best, score = sentence.strip(), found
    return best if len(best) <= PASSAGE else best[:PASSAGE].rsplit(" ", 1)[0] + " …"
