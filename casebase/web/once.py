"""The rule that the same form counts once, also when it is sent again after the program was started anew."""

from __future__ import annotations

import hashlib
import re
from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path
from threading import Lock

from starlette.responses import RedirectResponse, Response

from casebase.web.ownfile import read_own, write_own

MOST_ANSWERS = 500
MOST_BYTES = 1024 * 1024
MOST_WAY = 1_000

_LINE = re.compile(r"([0-9a-f]{32}) (/(?!/)[!-~]*)")


class Once:
    """Lets the same form count once: a second sending, also one at the same moment, gets the first one's answer.

    Only answers that are given are kept, and only the last MOST_ANSWERS; what was refused may be sent again. With a
    `file`, where each form led to stands there beside a digest of its key, and is known again in the next run.
    """

    def __init__(self, file: Path | None = None) -> None:
        self._file = file
        self._ways = _read(file)
        self._answers: OrderedDict[tuple[str, ...], Response] = OrderedDict()
        self._busy: dict[tuple[str, ...], Lock] = {}
        self._lock = Lock()

    def __call__(self, key: tuple[str, ...], act: Callable[[], Response]) -> Response:
        with self._lock:
            mine = self._busy.setdefault(key, Lock())
        with mine:
            known = self._answers.get(key)
            if known is not None:
                return known
            way = self._ways.get(_digest(key))
            answer = RedirectResponse(way, 303) if way else act()
            with self._lock:
                if answer.status_code < 400:
                    self._answers[key] = answer
                    if not way:
                        self._remember(key, answer)
                while len(self._answers) > MOST_ANSWERS:
                    self._busy.pop(self._answers.popitem(last=False)[0], None)
            return answer

    def _remember(self, key: tuple[str, ...], answer: Response) -> None:
        """Keeps where a form led to for the next run; where that cannot be written the form counts once in this run."""
        way = answer.headers.get("location", "")
        line = f"{_digest(key)} {way if len(way) <= MOST_WAY else way.partition('?')[0]}"
        if self._file is None or not _LINE.fullmatch(line):
            return
        self._ways[line[:32]] = line[33:]
        while len(self._ways) > MOST_ANSWERS:
            self._ways.popitem(last=False)
        write_own(self._file, "".join(f"{digest} {way}\n" for digest, way in self._ways.items()).encode())


def _digest(key: tuple[str, ...]) -> str:
    return hashlib.blake2b("\0".join(key).encode("utf-8", "replace"), digest_size=16).hexdigest()


def _read(file: Path | None) -> OrderedDict[str, str]:
    """Where the forms of earlier runs led to, by digest; lines of any other form are passed over."""
    lines = read_own(file, MOST_BYTES).data.decode("ascii", "replace").split("\n") if file else []
    found = (_LINE.fullmatch(line) for line in lines)
    return OrderedDict((line[1], line[2]) for line in found if line)
