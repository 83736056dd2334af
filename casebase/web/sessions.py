"""Who may come in, and whose form it is: the log-in token, the session cookie, the proof in every form.

Without a token (loopback only) everybody who reaches the port is in, and the cookie serves the proof alone. With one, a
cookie is signed with the token: it needs no list of who is in, outlives a restart and ends with the token. Proofs end
with the program, so that a form of an earlier run is looked at before it is sent.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable
from threading import Lock

TOKEN_BYTES = 24
SESSION_SECONDS = 7 * 24 * 60 * 60
COOKIE = "casebase"
# Wrong tokens a minute from one address, and from all of them, before the answer is "wait".
GUESSES, ALL_GUESSES, MINUTE = 10, 200, 60.0
MOST_ADDRESSES = 1_000

_SESSION = re.compile(r"(([0-9]{1,12})\.[A-Za-z0-9_-]{22})\.([0-9a-f]{64})")


def new_token() -> str:
    """A log-in token of 192 random bits."""
    return secrets.token_urlsafe(TOKEN_BYTES)


class Sessions:
    """Who is in, and which forms are theirs. `token` is "" where none is needed."""

    def __init__(self, token: str = "", clock: Callable[[], float] = time.time) -> None:
        self.token = token
        self._clock = clock
        self._secret = secrets.token_bytes(32)
        self._wrong: OrderedDict[str, list[float]] = OrderedDict()
        self._lock = Lock()

    def start(self) -> str:
        """A new session: when it ends, what tells it from others, and the signature of both."""
        named = f"{int(self._clock()) + SESSION_SECONDS}.{secrets.token_urlsafe(16)}"
        return f"{named}.{_signed(self.token.encode(), named)}"

    def holds(self, session: str) -> bool:
        """Whether this cookie is one that was handed out for this token and has not run out."""
        found = _SESSION.fullmatch(session)
        if not found:
            return False
        return not self.token or (hmac.compare_digest(found[3], _signed(self.token.encode(), found[1]))
                                  and self._clock() < int(found[2]))

    def is_token(self, given: str) -> bool:
        """Whether this is the token; the time it takes does not tell how much of it is right."""
        return bool(self.token) and hmac.compare_digest(given.encode("utf-8", "replace"), self.token.encode())

    def too_many_guesses(self, address: str) -> bool:
        """Counts a wrong token; whether there were too many of late.

        It is asked only once the token is known to be wrong: a right one always gets in, so that nobody can lock the
        owner out, and with 192 bits the limit is not what keeps guessers out but what keeps them from being a burden.
        """
        now = self._clock()
        with self._lock:
            for name, most in ((address, GUESSES), ("", ALL_GUESSES)):
                times = [moment for moment in self._wrong.get(name, []) if now - moment < MINUTE]
                self._wrong[name] = [*times, now][-most - 1:]
                self._wrong.move_to_end(name)
            while len(self._wrong) > MOST_ADDRESSES:
                self._wrong.popitem(last=False)
            return len(self._wrong.get(address, ())) > GUESSES or len(self._wrong[""]) > ALL_GUESSES

    def proof(self, session: str) -> str:
        """What a form drawn for this log-in carries; a form without it was made elsewhere and is refused."""
        return _signed(self._secret, session)

    def proves(self, session: str, given: str) -> bool:
        return hmac.compare_digest(given.encode("utf-8", "replace"), self.proof(session).encode())


def _signed(secret: bytes, text: str) -> str:
    return hmac.new(secret, text.encode(), hashlib.sha256).hexdigest()
