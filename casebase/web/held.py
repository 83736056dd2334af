"""The engine, held for all requests: the index is opened once and opened anew when files have changed.

A question is answered from the index of the moment. At most once a second (less often where listing the folder takes
long) the folder is looked at; where something changed, a thread opens the index anew while the old one serves on. What
was answered last is kept until then, so that a page asked for again costs next to nothing.
"""

from __future__ import annotations

import os
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Lock, Thread
from typing import Any, TypeVar

from casebase.api import CaseBase
from casebase.problems import Refused
from casebase.record.folder import scan

LOOK_EVERY = 1.0
# Looking may take this share of the time. Where a look is quick, a question waits so many seconds for what it finds.
LOOK_SHARE, QUICK, WAIT = 0.02, 0.02, 0.2
KEPT = 200  # answers
BESIDE = ("casebase.toml", "vocabulary.yaml")

Mark = tuple[object, ...]
Answer = TypeVar("Answer")


class Held:
    """One case folder. `base()` gives the engine to read with, `writing()` one to write with."""

    def __init__(self, folder: Path, clock: Callable[[], float] = time.monotonic) -> None:
        self.folder = folder
        self._clock = clock
        self._looking = Lock()
        self._writing = Lock()
        began = clock()
        self._seen = self._mark()
        self._took = clock() - began
        self._next_look = clock() + LOOK_EVERY
        self._kept = Kept()
        self._base = self._open()

    def base(self) -> CaseBase:
        """The engine, true to the folder as it was a moment ago. Keep it for the whole of one request."""
        if self._clock() >= self._next_look and self._looking.acquire(blocking=False):
            self._next_look = self._clock() + LOOK_EVERY
            thread = Thread(target=self._look, name="look at the folder", daemon=True)
            thread.start()
            if self._took <= QUICK:
                thread.join(WAIT)
        return self._base

    def kept(self, base: CaseBase, key: Hashable, make: Callable[[], Answer]) -> Answer:
        """What `make` gave for this key and this engine before, else what it gives now; it must not be changed."""
        return self._kept.get(base, key, make)

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
            self._took = self._clock() - began
            if mark != self._seen:
                self._base = self._open()
                self._seen = mark
        except (Refused, OSError):
            pass  # the folder cannot be read just now: what was read last still serves
        self._next_look = self._clock() + max(LOOK_EVERY, self._took / LOOK_SHARE)

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


class Kept:
    """The last answers of one engine; those of the engine before it are forgotten. Safe to use from several threads.

    Answers are made one at a time: side by side they would share one interpreter, and each would come later.
    """

    def __init__(self) -> None:
        self._lock = Lock()
        self._making = Lock()
        self._base: CaseBase | None = None
        self._answers: OrderedDict[Hashable, Any] = OrderedDict()

    def get(self, base: CaseBase, key: Hashable, make: Callable[[], Answer]) -> Answer:
        found: Answer | None = self._find(base, key)
        if found is None:
            with self._making:
                found = self._find(base, key)  # another may have asked the same meanwhile
                if found is None:
                    found = make()
                    self._keep(base, key, found)
        return found

    def _find(self, base: CaseBase, key: Hashable) -> Any:
        with self._lock:
            if base is not self._base:
                self._base = base
                self._answers.clear()
            if key in self._answers:
                self._answers.move_to_end(key)
            return self._answers.get(key)

    def _keep(self, base: CaseBase, key: Hashable, made: object) -> None:
        with self._lock:
            if base is self._base:
                self._answers[key] = made
                if len(self._answers) > KEPT:
                    self._answers.popitem(last=False)
