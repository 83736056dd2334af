"""The engine, held for all requests: the index is opened once and opened anew when files have changed.

A question is answered from the index of the moment. At most once a second (less often where listing the folder takes
long) the folder is looked at; where something changed, a thread opens the index anew while the old one serves on.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Lock, Thread

from casebase.api import CaseBase
from casebase.problems import Refused
from casebase.record.folder import scan

LOOK_EVERY = 1.0
# Looking may take this share of the time; a question waits at most so many seconds for a change to be taken in.
LOOK_SHARE, WAIT = 0.02, 0.2
BESIDE = ("casebase.toml", "vocabulary.yaml")

Mark = tuple[object, ...]


class Held:
    """One case folder. `base()` gives the engine to read with, `writing()` one to write with."""

    def __init__(self, folder: Path, clock: Callable[[], float] = time.monotonic) -> None:
        self.folder = folder
        self._clock = clock
        self._looking = Lock()
        self._writing = Lock()
        self._seen = self._mark()
        self._next_look = clock() + LOOK_EVERY
        self._base = self._open()

    def base(self) -> CaseBase:
        """The engine, true to the folder as it was a moment ago. Keep it for the whole of one request."""
        if self._clock() >= self._next_look and self._looking.acquire(blocking=False):
            self._next_look = self._clock() + LOOK_EVERY
            thread = Thread(target=self._look, name="look at the folder", daemon=True)
            thread.start()
            thread.join(WAIT)
        return self._base

    def refresh(self) -> None:
        """Takes in at once whatever has changed in the folder."""
        with self._looking:
            self._take_in()

    @contextmanager
    def writing(self) -> Iterator[CaseBase]:
        """An engine of one's own to write with, one writer at a time; what was written is taken in afterwards."""
        with self._writing:
            own = CaseBase(self.folder)
            own.__dict__["index"] = self.base().index
            try:
                yield own
            finally:
                self.refresh()

    def _look(self) -> None:
        try:
            self._take_in()
        finally:
            self._looking.release()

    def _take_in(self) -> None:
        began = self._clock()
        try:
            mark = self._mark()
            if mark != self._seen:
                self._base = self._open()
                self._seen = mark
        except (Refused, OSError):
            pass  # the folder cannot be read just now: what was read last still serves
        self._next_look = self._clock() + max(LOOK_EVERY, (self._clock() - began) / LOOK_SHARE)

    def _open(self) -> CaseBase:
        base = CaseBase(self.folder)
        base.index  # noqa: B018 - it is opened at first use, and that is now
        return base

    def _mark(self) -> Mark:
        """Differs whenever a case, the settings or the shop's own words may have changed."""
        listing = scan(self.folder)
        return (listing.entries, tuple(self._stamp(name) for name in BESIDE))

    def _stamp(self, name: str) -> tuple[int, ...]:
        try:
            status = os.stat(self.folder / name)
        except OSError:
            return ()
        return (status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino)
