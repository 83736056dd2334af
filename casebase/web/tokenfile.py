"""The log-in token, kept for a week, so that a phone which has logged in stays in when the program is started anew.

It lies in the cache folder of the cases, readable by this user alone. Where it cannot be kept it ends with the program.
"""

from __future__ import annotations

import re
from contextlib import suppress
from pathlib import Path

from casebase.web.ownfile import read_own, write_own
from casebase.web.sessions import SESSION_SECONDS, new_token

FILE = "token"
KEPT_SECONDS = SESSION_SECONDS

_TOKEN = re.compile(r"[A-Za-z0-9_-]{32}")


def kept_token(place: Path | None, *, fresh: bool = False) -> tuple[str, bool]:
    """The token to log in with, and whether it is kept over a restart; `fresh` makes a new one, which ends all log-ins."""
    if place is None:
        return new_token(), False
    found = read_own(place / FILE, 100)
    token = found.data.decode("ascii", "replace").strip()
    if not fresh and 0 <= found.age < KEPT_SECONDS and _TOKEN.fullmatch(token):
        return token, True
    token = new_token()
    kept = write_own(place / FILE, f"{token}\n".encode())
    if not kept:
        with suppress(OSError):  # an old one must not come back at the next start
            (place / FILE).unlink()
    return token, kept
