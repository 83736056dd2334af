"""The shop in plain counts."""

from __future__ import annotations

from starlette.responses import Response

from casebase.web.site import Page, Visit


def overview(visit: Visit) -> Response:
    base = visit.base
    return visit.page("overview.html", counts=base.overview(), still_open=base.listed(open_only=True))


PAGES: dict[str, Page] = {"GET /overview": overview}
