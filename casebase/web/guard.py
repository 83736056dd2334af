"""What every request passes before a page sees it, and every response on its way out.

In this order: the host it asks for (against DNS rebinding), the length of its address, the row of the access table, the
session, the origin of what is sent, the size of the body and the time it takes to arrive. The body is read here whole,
so that no page waits for a slow sender.
"""

from __future__ import annotations

import asyncio
from typing import NamedTuple

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import compile_path
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from casebase.web.access import FORM, TABLE, Row
from casebase.web.denied import Denied
from casebase.web.forms import Fields, read_form
from casebase.web.sessions import COOKIE, SESSION_SECONDS
from casebase.web.site import Site, Visit
from casebase.web.trouble import denied

MOST_ADDRESS = 32 * 1024
"""Bytes that path and query may have together."""
BODY_SECONDS = 20.0
"""Within which the whole body of a request must have arrived; one with a file has three times as long."""
LARGE_BODY = 1024 * 1024

HEADERS = {
    "Content-Security-Policy": "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; connect-src 'self'; "
                               "base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    # "no-referrer" would make browsers send `Origin: null` with our own forms.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}

PATTERNS = [(compile_path(row.path)[0], row) for row in TABLE]


class _Gone(Exception):
    """The one who asked has left."""


class _LogIn(Denied):
    """Asks for the token. `form` is what was sent, to be shown again: a log-in that ended must cost nobody their words."""

    def __init__(self, form: Fields | None = None) -> None:
        super().__init__(401, "Please log in", "Scan the code that the terminal shows, or type the token that stands below it.")
        self.form = form or Fields()


class _Passed(NamedTuple):
    """A request that may go on to its page. `fresh` tells whether its session began with it."""

    session: str
    fresh: bool
    body: bytes


class Guard:
    """The ASGI application that stands around the pages."""

    def __init__(self, app: ASGIApp, site: Site) -> None:
        self.app = app
        self.site = site

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        try:
            passed = await self._pass(scope, receive)
        except Denied as reason:
            await self._turn_away(scope, reason)(scope, receive, _guarded(send))
        except _Gone:
            return
        else:
            scope.setdefault("state", {})["session"] = passed.session
            fresh = passed.session if passed.fresh else ""
            await self.app(scope, _replay(passed.body, receive), _guarded(send, fresh))

    async def _pass(self, scope: Scope, receive: Receive) -> _Passed:
        headers = Headers(scope=scope)
        host = self._host(headers)
        if len(scope["query_string"]) + len(scope.get("raw_path") or b"") > MOST_ADDRESS:
            raise Denied(414, "Too long", "What was asked is too long for an address. Say it in a few sentences.")
        session = cookie_of(headers)
        known = self.site.sessions.holds(session)
        row = _row(scope, known or not self.site.sessions.token)
        if row.needs_token and not known and self.site.sessions.token:
            raise _LogIn(await self._typed(headers, host, row, receive))
        if row.method == "POST":
            self._origin(headers, host)
        body = await _body(headers, receive, row.most_bytes)
        if known or self.site.sessions.token:
            return _Passed(session if known else "", False, body)
        return _Passed(self.site.sessions.start(), True, body)

    def _host(self, headers: Headers) -> str:
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self.site.hosts:
            raise Denied(403, "Not the address of these pages", "Open them under the address that the terminal shows.")
        return hosts[0].lower()

    def _origin(self, headers: Headers, host: str) -> None:
        """A form must come from a page of ours: browsers say where it stood, and nobody's page can say it for them."""
        if headers.getlist("origin") != [f"http://{host}"]:
            raise Denied(403, "Not sent from these pages", "The form came from elsewhere, so nothing was changed.")

    async def _typed(self, headers: Headers, host: str, row: Row, receive: Receive) -> Fields:
        """What somebody typed who is not logged in; nothing where it is no form of ours, or large."""
        if row.method != "POST":
            return Fields()
        try:
            self._origin(headers, host)
            return await read_form(headers, await _body(headers, receive, min(row.most_bytes, FORM)))
        except Denied:
            return Fields()

    def _turn_away(self, scope: Scope, reason: Denied) -> Response:
        form = reason.form if isinstance(reason, _LogIn) else Fields()
        visit = Visit(self.site, Request(scope).url.path, {}, Fields(), form, "", "")
        return denied(visit, reason)


def cookie_of(headers: Headers) -> str:
    """The session a request names; "" for none. Other programs on this machine may have set cookies of any form."""
    pairs = (part.strip().partition("=") for part in headers.get("cookie", "").split(";"))
    return next((value for name, _sign, value in pairs if name == COOKIE), "")


def session_cookie(session: str) -> str:
    return f"{COOKIE}={session}; Path=/; Max-Age={SESSION_SECONDS}; HttpOnly; SameSite=Strict"


def _row(scope: Scope, may_know: bool) -> Row:
    """The row of the table that a request asks for. Who has not logged in is not told which paths there are."""
    method = "GET" if scope["method"] == "HEAD" else scope["method"]
    rows = [row for pattern, row in PATTERNS if pattern.fullmatch(scope["path"])]
    for row in rows:
        if row.method == method:
            return row
    if not may_know:
        raise _LogIn
    if rows:
        raise Denied(405, "Not done this way", "This page is opened, not sent to; or the other way about.")
    raise Denied(404, "There is no such page", "Perhaps the address was cut off or mistyped.")


async def _body(headers: Headers, receive: Receive, most: int) -> bytes:
    """The whole body. Raises `Denied` for one that is larger than allowed, says a false length or takes too long."""
    length = headers.get("content-length", "0")
    if not (length.isascii() and length.isdigit()) or len(length) > 18:
        raise Denied(400, "Not a whole request", "It does not say how long it is.")
    if int(length) > most:
        raise _too_large(most)
    parts, size = [], 0
    patience = BODY_SECONDS * (3 if most > LARGE_BODY else 1)
    try:
        async with asyncio.timeout(patience):
            while True:
                message = await receive()
                if message["type"] == "http.disconnect":
                    raise _Gone
                parts.append(message.get("body", b""))
                size += len(parts[-1])
                if size > most:
                    raise _too_large(most)
                if not message.get("more_body", False):
                    break
    except TimeoutError:
        raise Denied(408, "It took too long to arrive", "Nothing was changed. Send it again where the network is better.") from None
    if "content-length" in headers and size != int(length):
        raise Denied(400, "Not a whole request", "It is not as long as it says.")
    return b"".join(parts)


def _too_large(most: int) -> Denied:
    room = f"{most // 1024:,} KB fit" if most else "nothing can be sent here"
    return Denied(413, "Too large", f"What was sent is larger than this page takes ({room}). Nothing was changed.")


def _replay(body: bytes, receive: Receive) -> Receive:
    """Gives the page the body that is there already, then whatever comes after it."""
    waiting: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def replayed() -> Message:
        return waiting.pop() if waiting else await receive()

    return replayed


def _guarded(send: Send, fresh: str = "") -> Send:
    """Puts the safety headers on every response, and the cookie of a session that just began."""

    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            headers.update(HEADERS)
            if fresh:
                headers.append("Set-Cookie", session_cookie(fresh))
        await send(message)

    return sent
