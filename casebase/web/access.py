"""The access table: every route there is, and what it allows. A route without a row here is refused at the start.

Everything that writes is a POST. Every POST but the log-in carries the proof of its form (`sessions`), and one that writes
a key that makes it count once (`once`). With a token (`--lan`), only the rows that say so are open to those who have not logged in.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

KB = 1024
FORM = 64 * KB
"""Bytes that a form without files may have."""
NOTES = 512 * KB
"""Bytes of notes, as they were read and as they are, and the cases made of them; each may be three for one letter that
was typed."""
PHOTOGRAPH = 16 * KB * KB
"""Bytes of a photograph as a phone sends it."""


class Row(NamedTuple):
    """One route. `path` is a pattern as Starlette has it; `most_bytes` the largest body it takes."""

    method: Literal["GET", "POST"]
    path: str
    needs_token: bool = True
    writes: bool = False
    most_bytes: int = 0

    @property
    def key(self) -> str:
        return f"{self.method} {self.path}"

    @property
    def proved(self) -> bool:
        """Whether a form sent here must show that it was drawn for its session; before the log-in there is none yet."""
        return self.method == "POST" and self.needs_token


TABLE: tuple[Row, ...] = (
    Row("GET", "/"),
    Row("GET", "/case/{reference}"),
    Row("GET", "/cases"),
    Row("GET", "/problems"),
    Row("GET", "/overview"),
    Row("GET", "/next"),
    Row("GET", "/weigh"),
    Row("GET", "/answer"),
    Row("GET", "/sheet/{reference}"),
    Row("GET", "/open"),
    Row("POST", "/open", writes=True, most_bytes=FORM),
    Row("GET", "/job"),
    Row("GET", "/job/{reference}"),
    Row("POST", "/job/{reference}/log", writes=True, most_bytes=FORM),
    Row("POST", "/job/{reference}/add", writes=True, most_bytes=FORM),
    Row("POST", "/job/{reference}/photo", writes=True, most_bytes=PHOTOGRAPH),
    Row("GET", "/job/{reference}/finish"),
    Row("POST", "/job/{reference}/finish", writes=True, most_bytes=FORM),
    Row("GET", "/photo/{reference}/{name}"),
    Row("GET", "/draft"),
    Row("POST", "/draft", most_bytes=NOTES),
    Row("POST", "/draft/settle", most_bytes=NOTES),
    Row("POST", "/draft/keep", writes=True, most_bytes=NOTES),
    Row("GET", "/followups"),
    Row("POST", "/followups", writes=True, most_bytes=FORM),
    Row("GET", "/static/{name}", needs_token=False),
    Row("GET", "/enter", needs_token=False),
    Row("POST", "/enter", needs_token=False, most_bytes=KB),
    Row("GET", "/api/find"),
    Row("GET", "/api/understand"),
    Row("GET", "/api/next"),
    Row("GET", "/api/case/{reference}"),
    Row("GET", "/api/openapi.json"),
)
