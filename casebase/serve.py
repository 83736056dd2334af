"""Serving the pages of a case folder: which addresses it listens on, who may come in, and what is said of that.

Loopback only, unless `lan` is asked for: then this machine's own address on the local network too, behind a token.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from io import StringIO
from pathlib import Path

import segno
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from casebase.problems import refuse
from casebase.record.folder import require_folder
from casebase.retrieve import likely
from casebase.retrieve.cache import writable_cache
from casebase.web.app import make_app
from casebase.web.guard import HEADERS
from casebase.web.held import Held
from casebase.web.tokenfile import kept_token

LOOPBACK = "127.0.0.1"
HEAD_SECONDS = 15.0
"""Within which the head of a request must have arrived."""
OPEN_FILES = 8_192
WHITE_ON_BLACK, PLAIN = "\x1b[97;40m", "\x1b[0m"
WRITTEN = "written"
"""The file in the cache folder that remembers which forms were written."""

ABOUT_LAN = (
    "Plain HTTP on the local network: the token keeps out everybody who only knows the address. It does not hide what is\n"
    "sent: whoever can listen on this network can read it, the owner's part of a hand-over sheet included, and can take\n"
    "over a log-in. Use it on a network you trust. Stop it with Ctrl-C when you are done."
)
KEPT = ("The token is kept for a week, and so long a phone that has logged in stays in, over a restart too. To shut everybody\n"
        "out, stop it and start it with --lan --new-token.")
NOT_KEPT = "The token ends with the program."


class Receiver(H11Protocol):
    """Uvicorn's reader of requests, with a time by which a head must have come and safety headers on its own refusals."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._waiting: asyncio.TimerHandle | None = None
        self._wait()

    def data_received(self, data: bytes) -> None:
        cycle = self.cycle
        super().data_received(data)
        if self.cycle is not cycle:  # a whole head has come
            self._stop_waiting()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        if not self.transport.is_closing() and self.cycle.response_complete:
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_waiting()
        super().connection_lost(exc)

    def send_400_response(self, msg: str) -> None:
        """What is said to a request that is no HTTP, which the guard never sees."""
        head = {"Content-Type": "text/plain; charset=utf-8", "Content-Length": str(len(msg)), "Connection": "close", **HEADERS}
        lines = "".join(f"{name}: {value}\r\n" for name, value in head.items())
        self.transport.write(f"HTTP/1.1 400 Bad Request\r\n{lines}\r\n{msg}".encode())
        self.transport.close()

    def _wait(self) -> None:
        self._stop_waiting()
        self._waiting = self.loop.call_later(HEAD_SECONDS, self.transport.close)

    def _stop_waiting(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None


def serve(folder: Path, port: int, *, lan: bool, say: Callable[[str], None], fresh_token: bool = False) -> None:
    """Serves `folder` until it is stopped; `fresh_token` ends all log-ins there are.

    Raises `Refused` where the folder or the port cannot be used.
    """
    require_folder(folder)
    place, _notes = writable_cache(folder)
    token, kept = kept_token(place, fresh=fresh_token) if lan else ("", False)
    addresses = [LOOPBACK, *([own_address()] if lan else [])]
    sockets = listen(addresses, port, token)
    try:
        held = Held(folder)
        for note in held.base().index.notes:
            say(f"note: {note}")
        likely.learned()  # takes seconds the first time, which no question should wait for
        app = make_app(held, hosts(addresses, port), token, place / WRITTEN if place else None)
        announce(addresses, port, token, say, kept=kept)
        _allow_many_connections()
        config = uvicorn.Config(app, http=Receiver, ws="none", lifespan="off", access_log=False, log_level="error",
                                proxy_headers=False, server_header=False, timeout_graceful_shutdown=10)
        uvicorn.Server(config).run(sockets)
    finally:
        for one in sockets:
            one.close()


def listen(addresses: Sequence[str], port: int, token: str) -> list[socket.socket]:
    """Sockets bound to the addresses. Raises `Refused` for one beyond this machine without a token, or a port in use."""
    for address in addresses:
        if not token and not ipaddress.ip_address(address).is_loopback:
            raise refuse("no-token", f"{address} can be reached from other machines, which needs a token",
                         "casebase serve --lan makes one", field="--lan")
    made: list[socket.socket] = []
    try:
        for address in addresses:
            # The protocol is named because asyncio sends small answers at once only on sockets that name it.
            made.append(socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP))
            made[-1].setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            made[-1].bind((address, port))
    except (OSError, OverflowError) as error:
        for one in made:
            one.close()
        reason = error.strerror if isinstance(error, OSError) else "there is no such port"
        raise refuse("port", f"port {port} cannot be used ({reason})", "choose another, such as --port 8018", field="--port",
                     usage=False) from None
    return made


def hosts(addresses: Sequence[str], port: int) -> frozenset[str]:
    """The names under which a browser may ask for the pages."""
    names = [*addresses, "localhost"]
    return frozenset([f"{name}:{port}" for name in names] + (names if port == 80 else []))


def own_address() -> str:
    """This machine's address on the local network. Raises `Refused` where it has none."""
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # an address for documentation; nothing is sent, only the way there is chosen
        found = str(probe.getsockname()[0])
        if not ipaddress.ip_address(found).is_loopback:
            return found
    raise refuse("no-network", "this machine has no address on a local network", "connect it, or leave out --lan",
                 field="--lan", usage=False)


def announce(addresses: Sequence[str], port: int, token: str, say: Callable[[str], None], *, kept: bool = False) -> None:
    """Says where the pages are, and with a token how to get in and what that is worth."""
    if not token:
        say(f"The pages are at http://{LOOPBACK}:{port}/ and can be reached from this machine only. Stop with Ctrl-C.")
        return
    home = f"http://{addresses[-1]}:{port}"
    say(f"Scan this with the phone, or open {home}/ and type the token.\n")
    say(qr_code(f"{home}/enter?key={token}", coloured=sys.stdout.isatty()))
    say(f"Token: {token}\n")
    say(f"{ABOUT_LAN}\n{KEPT if kept else NOT_KEPT}")


def qr_code(text: str, *, coloured: bool = False) -> str:
    """A code to scan, made of characters that are light where they are full.

    `coloured` says so to the terminal, since one that writes dark on light would show the code inverted, which not every
    phone reads.
    """
    drawn = StringIO()
    segno.make(text, error="l", micro=False).terminal(out=drawn, compact=True)
    lines = drawn.getvalue().rstrip("\n").split("\n")
    return "\n".join(f"{WHITE_ON_BLACK}{line}{PLAIN}" if coloured else line for line in lines) + "\n"


def _allow_many_connections() -> None:
    """Slow or idle connections must not use up the files this process may open."""
    with suppress(ImportError, OSError, ValueError):
        import resource

        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        most = OPEN_FILES if hard == resource.RLIM_INFINITY else min(hard, OPEN_FILES)
        resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, most), hard))
