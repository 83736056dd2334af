"""Logging in with the token, and the files that every page needs."""

from __future__ import annotations

import mimetypes

from starlette.responses import Response

from casebase.web.denied import Denied
from casebase.web.guard import session_cookie
from casebase.web.site import Page, Visit, static_files


def enter(visit: Visit) -> Response:
    """The page that asks for the token; one that stands in the address, as in the code to scan, is taken at once."""
    if not visit.site.sessions.token:
        return visit.go("/")
    key = visit.query.get("key") or visit.form.get("key")
    if not key:
        return visit.page("enter.html", wrong=False)
    if not visit.site.sessions.is_token(key):
        if visit.site.sessions.too_many_guesses(visit.client):
            raise Denied(429, "Too many wrong tokens", "Wait a minute, then type the token that stands in the terminal.", wait=60)
        return visit.page("enter.html", 401, wrong=True)
    response = visit.go("/")
    response.headers["Set-Cookie"] = session_cookie(visit.site.sessions.start())
    return response


def static(visit: Visit) -> Response:
    name = visit.parts["name"]
    if name not in static_files():
        raise Denied(404, "There is no such page", "Perhaps the address was cut off or mistyped.")
    kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
    return Response(static_files()[name], media_type=kind, headers={"Cache-Control": "public, max-age=31536000, immutable"})


PAGES: dict[str, Page] = {"GET /enter": enter, "POST /enter": enter, "GET /static/{name}": static}
