"""The owner's hand-over sheet, made to be printed. The only page that shows the private part of a job."""

from __future__ import annotations

from starlette.responses import Response

from casebase.web.site import Page, Visit


def sheet(visit: Visit) -> Response:
    reference = visit.parts["reference"]
    response = visit.page("sheet.html", reference=reference, sheet=visit.base.sheet(reference))
    response.headers["Cache-Control"] = "no-store"
    return response


PAGES: dict[str, Page] = {"GET /sheet/{reference}": sheet}
