"""Notes, spoken or scribbled, become a case: what was read beside the sentences it was read from, then the file.

Reading notes writes nothing. The case is kept once a person has looked it over. The whole page is one form, so that
notes and text go along with every tap, and neither replaces what a person typed into the other.
"""

from __future__ import annotations

from collections.abc import Iterator, Set
from datetime import date
from hashlib import blake2b
from typing import NamedTuple

from starlette.responses import Response

from casebase.api import CaseBase
from casebase.problems import Refused
from casebase.record.casetext import write_step
from casebase.retain.draft import Draft
from casebase.retain.draftfile import as_file
from casebase.retain.draftsettle import settle, unsure_in
from casebase.retain.story import Entry
from casebase.web.denied import status_of
from casebase.web.site import Page, Visit


class Typed(NamedTuple):
    """What goes along from form to form.

    `notes` as they stand in their box, `read` as they were when they were read; `text` of the case, `before` what it was
    when the notes were read again; `out` names the remarks whose entry was left out.
    """

    notes: str = ""
    read: str = ""
    text: str = ""
    before: str = ""
    out: tuple[str, ...] = ()

    @property
    def changed(self) -> bool:
        """Whether the notes are no longer those that were read."""
        return bool(self.text) and self.notes != self.read


class Line(NamedTuple):
    """Something that was read: where it goes, what it is, its sentences, what is unsure about it.

    `state` tells what became of the doubt: "unsure", "settled" or "left out"; "" where there was none.
    """

    field: str
    value: str
    sentences: tuple[str, ...]
    doubt: str = ""
    state: str = ""


def notes(visit: Visit) -> Response:
    return _page(visit, Typed())


def read(visit: Visit) -> Response:
    typed = _typed(visit)
    try:
        text = as_file(_drafted(visit, visit.base, typed.notes), date.today())
    except Refused as reason:
        return _page(visit, typed, reason)
    return _page(visit, Typed(typed.notes, typed.notes, text, _before(visit, typed, text)))


def settle_one(visit: Visit) -> Response:
    """One unsure entry is right or is left out; nothing is written, the text comes back to be gone on with."""
    typed = _typed(visit)
    how, _, mark = visit.form.get("settle").partition(":")
    try:
        text = settle(typed.text, mark, "out" if how == "out" else "right")
    except Refused as reason:
        return _page(visit, typed, reason)
    gone = {_name(remark) for remark in _remarks(typed.text) - _remarks(text)} if how == "out" else set()
    return _page(visit, typed._replace(text=text, out=(*typed.out, *sorted(gone))))


def keep(visit: Visit) -> Response:
    typed = _typed(visit)
    if typed.changed and not visit.form.get("anyway"):
        return _page(visit, typed, keeping=True)
    try:
        with visit.site.held.writing() as base:
            case, _path = base.keep(typed.text)
    except Refused as reason:
        return _page(visit, typed, reason)
    return visit.go(f"/job/{case.id}" if case.status == "open" else f"/case/{case.id}")


def _typed(visit: Visit) -> Typed:
    form = visit.form
    told, text = form.get("notes"), form.get("text")
    return Typed(told, form.get("read") or told, f"{text}\n" if text else "", form.get("before"), form.all("out"))


def _page(visit: Visit, typed: Typed, reason: Refused | None = None, *, keeping: bool = False) -> Response:
    """The page of these notes; `keeping` asks whether the case is to be kept although the notes were changed."""
    found = _drafted(visit, visit.base, typed.read) if typed.text and typed.read else None
    status = status_of(reason) if reason else 409 if keeping else 200
    return visit.page("draft.html", status, problems=reason.problems if reason else (), typed=typed, keeping=keeping,
                      unsure=unsure_in(typed.text), lines=lines(found, _remarks(typed.text), typed.out) if found else (),
                      unread=found.unread if found else ())


def _drafted(visit: Visit, base: CaseBase, told: str) -> Draft:
    return visit.site.held.kept(base, ("draft", told), lambda: base.draft(told))


def _before(visit: Visit, typed: Typed, text: str) -> str:
    """The text that was settled or changed by hand before the notes were read again, with what stood there before it."""
    untouched = [text, as_file(_drafted(visit, visit.base, typed.read), date.today())] if typed.text else []
    if typed.text.strip() in ("", typed.before, *(one.strip() for one in untouched)):
        return typed.before
    return f"{typed.text}\n{typed.before}".strip()


# What was read, and what became of its doubts.


def lines(found: Draft, remarks: Set[str], out: tuple[str, ...] = ()) -> list[Line]:
    """All that was read, in the order of a case file. `remarks` are those left in its text."""
    return [line._replace(state=_state(remark, remarks, out) if line.doubt else "") for line, remark in _lines(found)]


def _lines(found: Draft) -> Iterator[tuple[Line, str]]:
    """Each line with the remark that stands on it in the text of the case."""
    for entry in found.machine:
        yield _line(f"machine: {entry.field}", entry)
    for name, entries in (("complaint", (found.complaint,)), ("symptom", found.symptoms), ("not there", found.absent), ("before", found.history)):
        yield from (_line(name, entry) for entry in entries if entry)
    for told in found.steps:
        words, doubt = ", ".join(line.strip().removeprefix("- ") for line in write_step(told.step)), " and ".join(told.doubts)
        yield Line("step", words, told.sentences, doubt), _remark(doubt, told.sentences[0])
    for cause in found.causes:
        yield Line("cause", cause.fault.fault, (cause.sentence,), cause.doubt), _remark(f"{cause.fault.fault}: {cause.doubt}", cause.sentence)
    for name, entries in (("proof", found.proof), ("outcome", (found.outcome,)), ("advice", found.advice)):
        yield from (_line(name, entry) for entry in entries if entry)


def _line(field: str, entry: Entry) -> tuple[Line, str]:
    return Line(field, entry.value, (entry.sentence,), entry.doubt), _remark(f"{entry.value}: {entry.doubt}", entry.sentence)


def _state(remark: str, remarks: Set[str], out: tuple[str, ...]) -> str:
    if remark in remarks:
        return "unsure"
    return "left out" if _name(remark) in out else "settled"


def _remark(why: str, sentence: str) -> str:
    """A remark as it stands in the text of a case, its spaces evened out."""
    return _plain("".join(char if char.isprintable() else " " for char in f'# unsure: {why} ("{sentence}")'))


def _remarks(text: str) -> Set[str]:
    return {_plain(line) for line in text.split("\n") if line.lstrip().startswith("# unsure")}


def _plain(words: str) -> str:
    return " ".join(words.split())


def _name(remark: str) -> str:
    """What a remark is called in the page's hidden fields."""
    return blake2b(remark.encode("utf-8", "replace"), digest_size=8).hexdigest()


PAGES: dict[str, Page] = {"GET /draft": notes, "POST /draft": read, "POST /draft/settle": settle_one, "POST /draft/keep": keep}
