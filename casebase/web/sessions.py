"""Who may come in, and whose form it is: the log-in token, the session cookie, the proof in every form.

Without a token (loopback only) everybody who reaches the port is in, and the cookie serves the proof alone.
All secrets live in memory and end with the program.
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
SESSION_SECONDS = 12 * 60 * 60
MOST_SESSIONS = 200
COOKIE = "casebase"
# Wrong tokens a minute from one address, and from all of them, before the answer is "wait".
GUESSES, ALL_GUESSES, MINUTE = 10, 200, 60.0
MOST_ADDRESSES = 1_000

_SESSION = re.compile(r"[A-Za-z0-9_-]{43}")


def new_token() -> str:
    """A log-in token of 192 random bits."""
    return secrets.token_urlsafe(TOKEN_BYTES)


class Sessions:
    """The sessions of one run of the program. `token` is "" where none is needed."""

    def __init__(self, token: str = "", clock: Callable[[], float] = time.monotonic) -> None:
        self.token = token
        self._clock = clock
        self._secret = secrets.token_bytes(32)
        self._until: OrderedDict[str, float] = OrderedDict()
        self._wrong: OrderedDict[str, list[float]] = OrderedDict()
        self._lock = Lock()

    def start(self) -> str:
        """A new session; the oldest makes room where there are too many."""
        session = secrets.token_urlsafe(32)
        if self.token:
            with self._lock:
                self._until[session] = self._clock() + SESSION_SECONDS
                while len(self._until) > MOST_SESSIONS:
                    self._until.popitem(last=False)
        return session

    def holds(self, session: str) -> bool:
        """Whether this cookie is one that was handed out and has not run out."""
        if not _SESSION.fullmatch(session):
            return False
        return not self.token or self._clock() < self._until.get(session, 0.0)

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
        """What a form of this session carries, to show that it was this program that drew it."""
        return hmac.new(self._secret, session.encode(), hashlib.sha256).hexdigest()

    def proves(self, session: str, given: str) -> bool:
        return hmac.compare_digest(given.encode("utf-8", "replace"), self.proof(session).encode())
