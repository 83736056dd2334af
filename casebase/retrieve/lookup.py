"""Exact full-text look-up over the case files: words, phrases, fields, AND, OR, NOT.

The only home of whoosh, loaded by nothing else. Its index is a throw-away cache in the user's cache folder:
whoosh unpickles its schema, so an index that came with somebody's case folder is never opened. Passages are
always cut from the case files, not from the index.
"""

from __future__ import annotations

import json
import re
import shutil
import warnings
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from casebase import __version__
from casebase.problems import refuse
from casebase.record.case import Case, Check, Setting, citation
from casebase.record.folder import Entry, load, require_folder, scan
from casebase.retrieve.index import Progress, cache_folder

MAX_QUERY = 500
PASSAGE = 160

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
    """The cases that fit a query, how it was read, and a better spelling when nothing fits."""

    hits: tuple[Hit, ...]
    total: int
    read_as: str
    suggestion: str


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
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # whoosh warns of its own old syntax
        index = _current(folder, progress)
        with index.searcher() as searcher:
            return _search(searcher, folder, query, limit)


def _search(searcher: Any, folder: Path, query: str, limit: int) -> LookUp:
    parsed = _parse(query, searcher.schema)
    results = searcher.search(parsed, limit=limit)
    words = {text.decode() if isinstance(text, bytes) else str(text) for _field, text in parsed.all_terms()}
    hits = []
    for result in results:
        case = load(folder / f"{result['id']}.md", result["id"]).case
        if case is not None:
            hits.append(Hit(case.id, case.title, passage(case, words)))
    suggestion = ""
    if not hits:
        corrected = searcher.correct_query(parsed, query)
        suggestion = corrected.string if corrected.query != parsed else ""
    return LookUp(tuple(hits), len(results), str(parsed).replace("text:", ""), suggestion)


def _parse(query: str, schema: Any) -> Any:
    from whoosh.qparser import MultifieldParser, PhrasePlugin, SimpleParser

    parser = MultifieldParser(["text"], schema)
    parsed = None
    # Too deep a nesting would exhaust the stack of the parser; such a query is read as plain words.
    if max(query.count("("), query.count("[")) <= 20:
        with suppress(Exception):
            parsed = parser.parse(query)
    if parsed is None or not list(parsed.all_terms()):
        plain = SimpleParser("text", schema, plugins=[PhrasePlugin()])
        parsed = plain.parse(" ".join(re.findall(r"\w+", query)))
    return parsed.normalize()


def _current(folder: Path, progress: Progress | None) -> Any:
    """The whoosh index in step with the folder: changed files re-read, vanished ones removed."""
    from whoosh import index as whoosh_index

    place = cache_folder(folder) / "lookup"
    entries = {entry.id: entry for entry in scan(folder).entries}
    known = _known(place)
    if known is None:
        with suppress(OSError):
            shutil.rmtree(place) if place.is_dir() and not place.is_symlink() else place.unlink()
        place.mkdir(parents=True, mode=0o700)
        index, known = whoosh_index.create_in(place, _schema()), {}
    else:
        index = whoosh_index.open_dir(place)
    changed = [entry for entry in entries.values() if known.get(entry.id) != list(entry.signature)]
    gone = [case_id for case_id in known if case_id not in entries]
    if changed or gone:
        writer = index.writer(limitmb=256)
        for case_id in gone:
            writer.delete_by_term("id", case_id)
        for entry in progress(changed, len(changed)) if progress else changed:
            _write(writer, entry, fresh=entry.id not in known)
        writer.commit()
        (place / "known.json").write_text(json.dumps(
            {"version": __version__, "files": {entry.id: entry.signature for entry in entries.values()}}))
    return index


def _known(place: Path) -> dict[str, list[int]] | None:
    try:
        data = json.loads((place / "known.json").read_text())
        return dict(data["files"]) if data["version"] == __version__ else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


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
