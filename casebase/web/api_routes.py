"""JSON for other programs, in the shapes of `--json`. What it takes and gives stands in `openapi.py`."""

from __future__ import annotations

from typing import Any

from starlette.responses import JSONResponse, Response

from casebase.api import usable
from casebase.problems import refuse
from casebase.reuse import shapes
from casebase.reuse.nextcheck import Known
from casebase.web.openapi import document
from casebase.web.pages.next_check import trail_of
from casebase.web.site import Page, Visit

MOST_CASES, MOST_PROPOSALS = 50, 30


def _json(data: Any) -> Response:
    return JSONResponse(data, headers={"Cache-Control": "no-store"})


def _limit(visit: Visit, usual: int, most: int) -> int:
    text = visit.query.get("limit") or str(usual)
    if not (text.isascii() and text.isdigit() and len(text) < 4 and 1 <= int(text) <= most):
        raise refuse("limit", f'"{text}" is not a limit', f"give 1 to {most}", field="limit")
    return int(text)


def find(visit: Visit) -> Response:
    order = visit.query.get("by") or "explanations"
    if order not in ("explanations", "similarity"):
        raise refuse("choice", f'"{order}" is not an order of cases', "allowed: explanations, similarity", field="by")
    return _json(shapes.first_answer(visit.base.find(
        visit.query.get("q"), limit=_limit(visit, 6, MOST_CASES), diverse=order == "explanations", wrong=visit.query.all("not"))))


def understand(visit: Visit) -> Response:
    return _json(shapes.understood(visit.base.understand(visit.query.get("q"), visit.query.all("not"))))


def next_step(visit: Visit) -> Response:
    trail = trail_of(visit)
    base, limit = visit.base, _limit(visit, 6, MOST_PROPOSALS)
    known = Known(trail.answers, trail.failed)
    step = (base.next_step_of(usable(base.reading(trail.job)), known, profile=trail.profile, limit=limit) if trail.job else
            base.next_step(trail.words, known, profile=trail.profile, limit=limit, wrong=trail.wrong))
    return _json(shapes.next_step(step, base.index.lexicon.vocabulary))


def case(visit: Visit) -> Response:
    return _json(shapes.case(usable(visit.base.reading(visit.parts["reference"]))))


def openapi(visit: Visit) -> Response:
    return _json(document())


PAGES: dict[str, Page] = {"GET /api/find": find, "GET /api/understand": understand, "GET /api/next": next_step,
                          "GET /api/case/{reference}": case, "GET /api/openapi.json": openapi}
