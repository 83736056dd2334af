"""The application: pages and access table joined, behind the guard."""

from __future__ import annotations

import traceback
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from casebase.problems import Refused
from casebase.web import api_routes
from casebase.web.access import TABLE, Row
from casebase.web.denied import Denied
from casebase.web.forms import Fields, read_form, read_pairs
from casebase.web.guard import Guard
from casebase.web.held import Held
from casebase.web.once import Once
from casebase.web.pages import (
    answer,
    ask,
    case,
    cases,
    enter,
    files,
    followups,
    job,
    next_check,
    overview,
    pictures,
    sheet,
    weigh,
    write_up,
)
from casebase.web.sessions import Sessions
from casebase.web.site import Page, Site, Visit
from casebase.web.trouble import broken, denied, refused

STALE = Denied(403, "Look it over and send it again",
               "The program was started anew or you logged in anew since this form was opened, or it came from elsewhere. "
               "Nothing was changed by it just now. Had you sent it before, that counts and is not written twice.")

MODULES: tuple[ModuleType, ...] = (
    ask, next_check, job, pictures, write_up, case, cases, weigh, answer, sheet, followups, overview, files, enter, api_routes)


def all_pages() -> dict[str, Page]:
    """The function for every "METHOD /path". Raises `ValueError` where pages and access table do not match."""
    pages: dict[str, Page] = {}
    for module in MODULES:
        pages |= module.PAGES
    rows = [row.key for row in TABLE]
    if sorted(rows) != sorted(pages):
        raise ValueError(f"pages and access table differ: {sorted(set(rows) ^ pages.keys()) or rows}")
    return pages


def make_app(held: Held, hosts: frozenset[str], token: str = "", written: Path | None = None) -> Guard:
    """The pages of one case folder.

    Parameters: `hosts`, the names with port under which a browser may ask ("127.0.0.1:8017"); `token`, what must be
    shown once to get in, "" for none; `written`, the file that remembers over a restart which forms were written.
    """
    pages = all_pages()
    site = Site(held, Sessions(token), hosts, frozenset(row.path for row in TABLE), Once(written))
    routes = [Route(row.path, _endpoint(site, row, pages[row.key]), methods=[row.method]) for row in TABLE]
    return Guard(Starlette(routes=routes), site)


def _endpoint(site: Site, row: Row, page: Page) -> Callable[[Request], Awaitable[Response]]:
    """What Starlette calls for a row: it reads the fields, and has the page answer in a thread."""

    async def answer(request: Request) -> Response:
        client = request.client.host if request.client else ""
        visit = Visit(site, request.url.path, request.path_params, Fields(), Fields(), request.state.session, client, row)
        try:
            visit = replace(visit, query=read_pairs(request.scope["query_string"]))
            if row.method == "POST":
                visit = replace(visit, form=await read_form(request.headers, await request.body()))
            return await run_in_threadpool(_answered, visit, row, page)
        except Denied as reason:
            return denied(visit, reason)

    return answer


def _answered(visit: Visit, row: Row, page: Page) -> Response:
    """The page's answer; whatever a person got wrong becomes a page too."""
    try:
        return _once_and_proved(visit, row, page)
    except Denied as reason:
        return denied(visit, reason)
    except Refused as reason:
        return refused(visit, reason)
    except Exception:
        traceback.print_exc()
        return broken(visit)


def _once_and_proved(visit: Visit, row: Row, page: Page) -> Response:
    """The page's answer, if a form shows whose it is; one that writes counts once."""
    if row.proved and not visit.site.sessions.proves(visit.session, visit.form.get("proof")):
        raise STALE
    if not row.writes:
        return page(visit)
    key = visit.form.get("once")
    if not key:
        raise Denied(400, "Not a whole form", "The form did not arrive whole. Nothing was changed; send it again.")
    return visit.site.once((visit.path, key), lambda: page(visit))
