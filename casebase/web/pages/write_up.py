"""Notes, spoken or scribbled, become a case: what was read beside the sentences it was read from, then the file.

Reading notes writes nothing. The case is kept once a person has looked it over.
"""

from __future__ import annotations

from datetime import date
from typing import Any, NamedTuple

from starlette.responses import Response

from casebase.problems import Refused
from casebase.record.casetext import write_step
from casebase.retain.draft import Draft
from casebase.retain.draftfile import as_file
from casebase.retain.draftsettle import settle, unsure_in
from casebase.web.site import Page, Visit


class Line(NamedTuple):
    """Something that was read: where it goes, what it is, its sentences, and what is unsure about it."""

    field: str
    value: str
    sentences: tuple[str, ...]
    doubt: str


def notes(visit: Visit) -> Response:
    return visit.page("draft.html", **shown("", ""))


def read(visit: Visit) -> Response:
    told = visit.form.get("notes")
    try:
        found = visit.base.draft(told)
    except Refused as reason:
        return visit.refused(reason, "draft.html", **shown(told, ""))
    return visit.page("draft.html", **shown(told, as_file(found, date.today()), found))


def shown(told: str, text: str, found: Draft | None = None) -> dict[str, Any]:
    """What the page shows of notes and of the text of the case; `found` is what was just read in them."""
    return {"notes": told, "text": text, "unsure": unsure_in(text), "lines": lines(found) if found else (), "unread": found.unread if found else ()}


def settle_one(visit: Visit) -> Response:
    """One unsure entry is right or is left out; nothing is written, the text comes back to be gone on with."""
    told, text = visit.form.get("notes"), visit.form.get("text") + "\n"
    how, _, mark = visit.form.get("settle").partition(":")
    try:
        text = settle(text, mark, "out" if how == "out" else "right")
    except Refused as reason:
        return visit.refused(reason, "draft.html", **shown(told, text))
    return visit.page("draft.html", settling=True, **shown(told, text))


def lines(found: Draft) -> list[Line]:
    """All that was read, in the order of a case file."""
    listed = [Line(f"machine: {entry.field}", entry.value, (entry.sentence,), entry.doubt) for entry in found.machine]
    singles = [("complaint", (found.complaint,)), ("symptom", found.symptoms), ("not there", found.absent), ("before", found.history)]
    listed += [Line(name, entry.value, (entry.sentence,), entry.doubt) for name, entries in singles for entry in entries if entry]
    for told in found.steps:
        words = ", ".join(line.strip().removeprefix("- ") for line in write_step(told.step))
        listed.append(Line("step", words, told.sentences, " and ".join(told.doubts)))
    listed += [Line("cause", cause.fault.fault, (cause.sentence,), cause.doubt) for cause in found.causes]
    ends = [("proof", found.proof), ("outcome", (found.outcome,)), ("advice", found.advice)]
    return listed + [Line(name, entry.value, (entry.sentence,), entry.doubt) for name, entries in ends for entry in entries if entry]


def keep(visit: Visit) -> Response:
    text = visit.form.get("text") + "\n"
    try:
        with visit.site.held.writing() as base:
            case, _path = base.keep(text)
    except Refused as reason:
        return visit.refused(reason, "draft.html", **shown(visit.form.get("notes"), text))
    return visit.go(f"/job/{case.id}" if case.status == "open" else f"/case/{case.id}")


PAGES: dict[str, Page] = {"GET /draft": notes, "POST /draft": read, "POST /draft/settle": settle_one, "POST /draft/keep": keep}
