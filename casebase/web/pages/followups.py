"""Whom to ask whether the cure held, and their replies, by tap."""

from __future__ import annotations

from datetime import date

from starlette.responses import Response

from casebase.problems import Refused
from casebase.retain.followup import durability, to_ask
from casebase.web.denied import status_of
from casebase.web.site import Page, Visit

MOST = 20


def followups(visit: Visit) -> Response:
    return _page(visit, 200, said=visit.query)


def _page(visit: Visit, status: int, **more: object) -> Response:
    today, base = date.today(), visit.base
    cases, lexicon = base.cases(), base.index.lexicon
    found = to_ask(cases, lexicon, today)
    due = [item for item in found if item.due <= today]
    held = [fix for fix in durability(cases, lexicon, today) if fix.fates][:MOST]
    return visit.page("followups.html", status, **{"problems": (), **more}, due=due[:MOST], more_due=len(due[MOST:]),
                      later=len(found) - len(due), held=held, today=today)


def record(visit: Visit) -> Response:
    try:
        with visit.site.held.writing() as base:
            done = base.record_news(visit.form.get("job"), visit.form.get("news"), date.today(), date.today())
    except Refused as reason:
        return _page(visit, status_of(reason), problems=reason.problems, said=visit.form)
    if done.opened is not None:
        return visit.go(f"/job/{done.opened.id}", note=done.notes)
    return visit.go("/followups", written=f"{done.case.number}: {done.news.status}")


PAGES: dict[str, Page] = {"GET /followups": followups, "POST /followups": record}
