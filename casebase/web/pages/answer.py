"""A reply to a stranger, to be edited and copied."""

from __future__ import annotations

from starlette.responses import Response

from casebase.problems import Refused
from casebase.reuse.answer import page, short
from casebase.reuse.page import to_text
from casebase.web.site import Page, Visit


def answer(visit: Visit) -> Response:
    words = visit.query.get("q")
    if not words:
        return visit.page("answer.html", words="", reply="", brief="", cases=())
    try:
        found = visit.base.answer(words)
    except Refused as reason:
        return visit.refused(reason, "answer.html", words=words, reply="", brief="", cases=())
    return visit.page("answer.html", words=words, reply=to_text(page(found), width=0), brief=short(found), cases=found.cases)


PAGES: dict[str, Page] = {"GET /answer": answer}
