"""One running set of pages: the engine, the sessions, the drawing; and a single visit to it, which pages answer."""

from __future__ import annotations

import hashlib
import secrets
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import Any
from urllib.parse import urlencode

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse

from casebase.api import CaseBase
from casebase.problems import Refused, visible
from casebase.record.case import citation
from casebase.trade.terms import DEFERS
from casebase.web import drawing
from casebase.web.access import Row
from casebase.web.denied import status_of
from casebase.web.forms import Fields
from casebase.web.held import Held
from casebase.web.once import Once
from casebase.web.sessions import Sessions

MORE = "<!-- more -->"
"""Stands in a template where its first part ends."""


@cache
def static_files() -> dict[str, bytes]:
    """The files that every page may ask for, by name."""
    return {item.name: item.read_bytes() for item in resources.files("casebase.web").joinpath("static").iterdir()}


def static_address(name: str) -> str:
    """The address of such a file; it changes with the file, so that browsers may keep it for good."""
    return f"/static/{name}?v={hashlib.sha256(static_files()[name]).hexdigest()[:12]}"


def address(path: str, **fields: str | Iterable[str] | None) -> str:
    """A path with its fields; a field without a value is left out."""
    pairs = [(name, value) for name, values in fields.items()
             for value in ([values] if isinstance(values, str) else values or ()) if value]
    return f"{path}?{urlencode(pairs)}" if pairs else path


def shown(value: Any) -> Any:
    """Text as a page shows it: control and direction characters stand escaped. `|e` in a template keeps what was typed."""
    return visible(value, keep_newlines=True) if type(value) is str else value


def sentence(text: str) -> str:
    """A message of the engine as a sentence of its own."""
    return f"{text[:1].upper()}{text[1:]}{'' if text[-1:] in '.?!' else '.'}" if text else ""


@cache
def environment() -> Environment:
    found = Environment(loader=PackageLoader("casebase.web"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
                        lstrip_blocks=True, finalize=shown)
    found.filters |= {"number": citation, "sentence": sentence}
    found.globals |= {"static": static_address, "address": address, "drawing": drawing, "defers": DEFERS}
    return found


@dataclass(frozen=True, slots=True)
class Site:
    """What all visits share. `hosts` are the names ("127.0.0.1:8017") under which it may be asked for."""

    held: Held
    sessions: Sessions
    hosts: frozenset[str]
    paths: frozenset[str] = frozenset()
    once: Once = field(default_factory=Once)

    def has(self, path: str) -> bool:
        """Whether there is a page at this path of the access table."""
        return path in self.paths


@dataclass(frozen=True, slots=True)
class Visit:
    """One request, as a page sees it: what was asked, what was typed, and the means to answer."""

    site: Site
    path: str
    parts: Mapping[str, str]
    query: Fields
    form: Fields
    session: str
    client: str
    row: Row | None = None

    @property
    def base(self) -> CaseBase:
        """The engine to read with; take it once per page, since it may be replaced meanwhile."""
        return self.site.held.base()

    @property
    def proof(self) -> str:
        return self.site.sessions.proof(self.session)

    @property
    def once(self) -> str:
        """The key by which a form counts once; a form that is shown again keeps its key."""
        return self.form.get("once") or secrets.token_urlsafe(16)

    def page(self, template: str, status: int = 200, **values: Any) -> Response:
        """A page drawn from a template, which sees `visit` and the values."""
        text = environment().get_template(template).render(visit=self, status=status, **values)
        return HTMLResponse(text, status, {"Cache-Control": "no-cache"})

    def page_in_two(self, template: str, work: Callable[[], Mapping[str, Any]]) -> Response:
        """A page whose head is sent while `work` is still at it; the template calls `work()` after `MORE`.

        What can be refused must have been looked at before: the head says that all is well.
        """
        pieces = environment().get_template(template).generate(visit=self, status=200, work=work)
        return StreamingResponse(_in_two(pieces), 200, {"Cache-Control": "no-cache"}, "text/html")

    def go(self, path: str, **fields: str | Iterable[str] | None) -> Response:
        """Sends the browser on to another page, as after a form."""
        return RedirectResponse(address(path, **fields), 303)

    def refused(self, refused: Refused, template: str, **values: Any) -> Response:
        """The page a form stands on once more, with what was wrong; it must put what was typed back into its fields."""
        return self.page(template, status_of(refused), problems=refused.problems, **values)


def _in_two(pieces: Iterator[str]) -> Iterator[str]:
    """All up to the mark, then all the rest."""
    gathered: list[str] = []
    try:
        for piece in pieces:
            gathered.append(piece)
            if MORE in piece:
                yield "".join(gathered)
                gathered.clear()
    except Exception:
        traceback.print_exc()
        gathered = ['<p class="wrong" role="alert">A fault of this program; the terminal says more.</p>']
    yield "".join(gathered)


Page = Callable[[Visit], Response]
