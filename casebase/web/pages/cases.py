"""The list of cases, and the exact look-up in it."""

from __future__ import annotations

from starlette.responses import Response

from casebase.problems import Refused
from casebase.web.site import Page, Visit

PER_PAGE = 60
MOST_FOUND = 50


def cases(visit: Visit) -> Response:
    query = visit.query.get("q")
    base = visit.base
    if query:
        try:
            found = base.look_up(query, MOST_FOUND)
        except Refused as reason:
            return visit.refused(reason, "cases.html", query=query, found=None, listed=(), total=base.index.size, page=1, last=1)
        return visit.page("cases.html", query=query, found=found, listed=(), total=base.index.size, page=1, last=1)
    listed = base.listed(open_only=visit.query.get("open") == "yes")
    last = max(1, -(-len(listed) // PER_PAGE))
    asked = visit.query.get("page", "1")
    page = min(max(1, int(asked)), last) if asked.isascii() and asked.isdigit() and len(asked) < 7 else 1
    return visit.page("cases.html", query="", found=None, listed=listed[(page - 1) * PER_PAGE: page * PER_PAGE],
                      total=len(listed), page=page, last=last)


PAGES: dict[str, Page] = {"GET /cases": cases}
