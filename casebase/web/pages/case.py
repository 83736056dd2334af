"""One case: its story, its steps in order, and what it resembles. Never its private part."""

from __future__ import annotations

from dataclasses import replace

from starlette.responses import Response

from casebase.api import CaseBase, usable
from casebase.problems import Problem
from casebase.record.case import Case, Check, Setting, Step
from casebase.reuse.page import story_html
from casebase.web.pages.ask import Neighbour, neighbours
from casebase.web.photos import photographs
from casebase.web.site import Page, Visit


def case(visit: Visit) -> Response:
    base = visit.base
    reading = base.reading(visit.parts["reference"])
    record = usable(reading)
    if record.id != visit.parts["reference"]:
        return visit.go(f"/case/{record.id}")
    problems: tuple[Problem, ...] = tuple(reading.problems)
    return visit.page("case.html", case=record.id, record=without_private(record), kind_of=kind_of, problems=problems,
                      story=story_html(record.body), alike=like(visit, base, record), currency=base.index.settings.currency,
                      photos=photographs(base.folder, record.id))


def like(visit: Visit, base: CaseBase, record: Case) -> list[Neighbour]:
    """The cases this one resembles."""
    said = ("alike", record.id, record.complaint, record.symptoms, record.machine.kind)
    return visit.site.held.kept(base, said, lambda: neighbours(base, base.alike(record)))


def without_private(record: Case) -> Case:
    """The case without its private part, so that no template can show it."""
    return replace(record, private=())


def kind_of(step: Step) -> str:
    """What kind of step it is, in the word that stands beside it on the page."""
    return "checked" if isinstance(step, Check) else "set" if isinstance(step, Setting) else "done"


PAGES: dict[str, Page] = {"GET /case/{reference}": case}
