"""The pages for what went wrong: a wrong address, a wrong form, a fault of the program. JSON under /api/."""

from __future__ import annotations

import difflib
from urllib.parse import quote

from starlette.responses import JSONResponse, Response

from casebase.problems import Problem, Refused
from casebase.record.case import citation
from casebase.record.folder import MAX_ID
from casebase.web.denied import Denied, status_of
from casebase.web.site import Visit

HEADINGS = {400: "That cannot be done as it stands", 404: "There is no such case", 409: "The file has changed meanwhile",
            413: "Too long", 503: "Busy just now", 507: "Not saved"}
NEAREST = 5
# Fields of a form that no person typed: those that are made anew, and those that go along unseen.
_OWN = {"proof", "once", "key"}
_ALONG = {"mark", "settle", "read", "out", "job", "step", "field"}


def denied(visit: Visit, reason: Denied) -> Response:
    """What is said where the pages themselves turn a request away."""
    headers = {"Retry-After": str(reason.wait)} if reason.wait else None
    return _page(visit, reason.status, reason.heading, (Problem("denied", reason.sentence),), headers=headers)


def refused(visit: Visit, reason: Refused) -> Response:
    """What is said where the engine cannot do what was asked."""
    status = status_of(reason)
    links: list[str] = []
    problems = reason.problems
    if problems[0].code in ("no-case", "which-case"):
        wanted = visit.parts.get("reference") or visit.query.get("job")
        links = nearest(visit, wanted)
        problems = (problems[0]._replace(
            message=f'"{wanted}" fits no case' if problems[0].code == "no-case" else f'"{wanted}" fits more than one case',
            hint="" if links else "The list of cases has all of them"),)
    return _page(visit, status, HEADINGS.get(status, HEADINGS[400]), problems, links=links)


def broken(visit: Visit) -> Response:
    """What is said of a fault of the program itself, whose traceback stands in the terminal."""
    return _page(visit, 500, "A fault of this program",
                 (Problem("fault", "It is not your doing, and nothing was half saved.",
                          "The terminal in which the program runs says more."),))


def nearest(visit: Visit, reference: str) -> list[str]:
    """Ids of cases that may have been meant."""
    index = visit.base.index
    ids = [index.id(position) for position in index.positions()]
    wanted = reference.casefold()
    held = [case_id for case_id in ids if wanted and wanted in case_id.casefold()][:NEAREST]
    if held or len(wanted) > MAX_ID:
        return held
    numbers = {citation(case_id): case_id for case_id in ids}
    return difflib.get_close_matches(wanted, ids, NEAREST, 0.5) or [
        numbers[number] for number in difflib.get_close_matches(wanted, numbers, NEAREST, 0.5)]


def _page(visit: Visit, status: int, heading: str, problems: tuple[Problem, ...], *, links: list[str] | None = None,
          headers: dict[str, str] | None = None) -> Response:
    if visit.path.startswith("/api/"):
        response: Response = JSONResponse({"problems": [problem.as_json() for problem in problems], "nearest": links or []},
                                          status)
    else:
        sent = [(name, value) for name, value in (*visit.query, *visit.form) if name not in _OWN and value.strip()]
        posted = any(visit.form)
        # A form can be sent again from here; a file cannot be put back into one.
        again = visit.path if posted and sent and not visit.form.files else ""
        back = visit.path.rpartition("/")[0] or visit.path if posted else "/"
        response = visit.page("trouble.html", status, heading=heading, problems=problems, links=links or [], again=quote(again),
                              typed=[pair for pair in sent if pair[0] not in _ALONG], back=quote(back),
                              along=[pair for pair in sent if pair[0] in _ALONG], log_in=status == 401)
    response.headers.update(headers or {})
    return response
