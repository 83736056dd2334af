"""Serving for real: what it listens on, what it says, and that slow or broken clients keep nobody else waiting."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import uvicorn
from commands import ROOT, casebase, copy_of_demo, environment

from casebase import serve
from casebase.problems import Refused
from casebase.web.sessions import new_token

PATIENCE = 60


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Running(NamedTuple):
    port: int
    said: list[str]

    def get(self, path: str, **headers: str) -> tuple[int, str]:
        request = urllib.request.Request(f"http://127.0.0.1:{self.port}{path}", headers=headers)
        try:
            with urllib.request.urlopen(request, timeout=10) as answer:
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.read().decode()


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """The pages of ten demo cases, really served, with little patience for heads of requests."""
    servers: list[uvicorn.Server] = []

    class Kept(uvicorn.Server):
        def __init__(self, config: uvicorn.Config) -> None:
            super().__init__(config)
            servers.append(self)

    folder, port, said = copy_of_demo(tmp_path_factory.mktemp("served"), 10), free_port(), []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(serve, "HEAD_SECONDS", 1.0)
        patch.setattr(serve.uvicorn, "Server", Kept)
        thread = threading.Thread(target=lambda: serve.serve(folder, port, lan=False, say=said.append))
        thread.start()
        while not (servers and servers[0].started):
            time.sleep(0.05)
        yield Running(port, said)
        servers[0].should_exit = True
        thread.join(PATIENCE)


def test_it_says_where_it_is_and_answers_there(running):
    assert f"http://127.0.0.1:{running.port}/" in running.said[-1] and "this machine only" in running.said[-1]
    status, page = running.get("/?q=runs+only+on+choke")
    assert status == 200 and "What helped" in page


def test_two_hundred_slow_clients_keep_nobody_waiting(running):
    with ExitStack() as open_ones:
        for _number in range(200):
            slow = open_ones.enter_context(socket.create_connection(("127.0.0.1", running.port)))
            slow.sendall(b"G")
        began = time.monotonic()
        assert running.get("/")[0] == 200
        assert time.monotonic() - began < 2
        slow.settimeout(10)
        while time.monotonic() - began < 8:  # one byte after the other does not help
            try:
                slow.sendall(b"E")
                slow.settimeout(0.3)
                if slow.recv(1) == b"":
                    break
            except TimeoutError:
                continue
            except OSError:
                break
        else:
            pytest.fail("a head that trickles in is waited for")


def test_a_kept_connection_serves_again(running):
    with socket.create_connection(("127.0.0.1", running.port)) as kept:
        kept.settimeout(10)
        for _time in range(3):
            kept.sendall(f"GET /static/mark.svg HTTP/1.1\r\nHost: 127.0.0.1:{running.port}\r\n\r\n".encode())
            head = b""
            while b"</svg>" not in head:
                head += kept.recv(65_536)
            assert head.startswith(b"HTTP/1.1 200")
            time.sleep(0.5)


@pytest.mark.parametrize("sent", [b"rubbish\r\n\r\n", b"GET / HTTP/1.1\r\n\r\n", b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
                                  b"GET /?q=" + b"x" * 1_000_000 + b" HTTP/1.1\r\nHost: a\r\n\r\n", b"GET / HTTP/1.1\r\nHost: a\r\nX: a\x00b\r\n\r\n"])
def test_even_a_broken_request_gets_the_safety_headers(running, sent):
    with socket.create_connection(("127.0.0.1", running.port)) as broken:
        broken.settimeout(10)
        answer = b""
        try:
            broken.sendall(sent)
            while part := broken.recv(65_536):
                answer += part
        except ConnectionError:
            pass
    assert re.match(rb"HTTP/1.1 4\d\d", answer) or not answer
    assert not answer or b"content-security-policy: default-src 'none'" in answer.lower()


def test_forwarded_addresses_and_hosts_are_not_believed(running):
    assert running.get("/", **{"X-Forwarded-Host": "evil.example", "X-Forwarded-For": "1.2.3.4"})[0] == 200
    assert running.get("/", Host="evil.example")[0] == 403


def test_a_port_in_use_is_a_sentence(running):
    with pytest.raises(Refused, match="cannot be used"):
        serve.listen(["127.0.0.1"], running.port, "")


def test_ports_that_are_none():
    with pytest.raises(Refused, match="there is no such port"):
        serve.listen(["127.0.0.1"], 99_999, "")


@pytest.mark.parametrize("address", ["0.0.0.0", "192.168.1.5", "10.0.0.1"])
def test_nothing_beyond_this_machine_without_a_token(address):
    with pytest.raises(Refused, match="needs a token"):
        serve.listen(["127.0.0.1", address], free_port(), "")


def test_with_a_token_it_listens_where_it_is_told():
    sockets = serve.listen(["127.0.0.1", "127.0.0.2"], free_port(), new_token())
    assert [one.getsockname()[0] for one in sockets] == ["127.0.0.1", "127.0.0.2"]
    for one in sockets:
        one.close()


def test_what_is_said_of_the_local_network():
    token, said = new_token(), []
    serve.announce(["127.0.0.1", "192.168.1.5"], 8017, token, said.append)
    told = "\n".join(said)
    assert "http://192.168.1.5:8017/" in told and f"Token: {token}" in told
    assert "It does not hide what is" in told and "█" in told
    assert serve.hosts(["127.0.0.1", "192.168.1.5"], 8017) == {"127.0.0.1:8017", "192.168.1.5:8017", "localhost:8017"}
    assert "localhost" in serve.hosts(["127.0.0.1"], 80)


CELLS = {" ": (0, 0), "▀": (1, 0), "▄": (0, 1), "█": (1, 1)}  # upper and lower half of a character: filled or not


def seen_on_screen(said: str, ink: int, ground: int) -> Any:
    """The code as pixels of a terminal that writes in these shades of grey, its characters twice as high as wide."""
    numpy = pytest.importorskip("numpy")
    if serve.WHITE_ON_BLACK in said:
        ink, ground = 255, 0
    lines = [line for line in re.sub(r"\x1b\[[\d;]*m", "", said).split("\n") if line and set(line) <= CELLS.keys()]
    halves = [[CELLS[sign][half] for sign in line] for line in lines for half in (0, 1)]
    screen = numpy.full((len(halves) + 8, len(halves[0]) + 8), ground, numpy.uint8)
    screen[4:-4, 4:-4] = numpy.where(numpy.array(halves), ink, ground)
    return screen.repeat(6, axis=0).repeat(6, axis=1)


def scanned(picture: Any) -> list[str]:
    """What a decoder that is none of ours reads in a picture, as a phone that knows no inverted codes."""
    zxing = pytest.importorskip("zxingcpp", reason="pip install zxing-cpp")
    return [code.text for code in zxing.read_barcodes(picture, formats=zxing.BarcodeFormat.QRCode, try_invert=False)]


@pytest.mark.parametrize(("terminal", "ink", "ground"), [(True, 230, 20), (True, 20, 255), (False, 255, 0)],
                         ids=["dark terminal", "light terminal", "no terminal"])
def test_the_code_that_is_shown_leads_to_where_the_token_lets_in(monkeypatch, tmp_path, terminal, ink, ground):
    monkeypatch.setattr(serve, "own_address", lambda: "127.0.0.3")
    monkeypatch.setattr(serve.uvicorn.Server, "run", lambda self, sockets: None)
    monkeypatch.setattr(serve.sys.stdout, "isatty", lambda: terminal, raising=False)
    said: list[str] = []
    port = free_port()
    serve.serve(copy_of_demo(tmp_path, 1), port, lan=True, say=said.append)
    told = "\n".join(said)
    token = re.search(r"^Token: (\S+)$", told, re.MULTILINE)
    assert token is not None and (serve.WHITE_ON_BLACK in told) == terminal
    (address,) = scanned(seen_on_screen(told, ink, ground))
    assert address == f"http://127.0.0.3:{port}/enter?key={token[1]}"


def test_the_token_outlives_a_restart_until_a_new_one_is_asked_for(monkeypatch, tmp_path):
    monkeypatch.setattr(serve, "own_address", lambda: "127.0.0.3")
    monkeypatch.setattr(serve.uvicorn.Server, "run", lambda self, sockets: None)
    folder = copy_of_demo(tmp_path, 1)

    def told(**options: bool) -> tuple[str, str]:
        said: list[str] = []
        serve.serve(folder, free_port(), lan=True, say=said.append, **options)
        return said[-2].split()[1], said[-1]

    first, about = told()
    assert "--new-token" in about and told()[0] == first
    second = told(fresh_token=True)[0]
    assert second != first and told()[0] == second
    monkeypatch.setattr(serve, "writable_cache", lambda folder: (None, []))
    third, about = told()
    assert third != second and "ends with the program" in about and "--new-token" not in about


def test_no_network_is_a_sentence(monkeypatch):
    class Alone(socket.socket):
        def connect(self, address: object) -> None:
            raise OSError("no way there")

    monkeypatch.setattr(serve.socket, "socket", Alone)
    with pytest.raises(Refused, match="no address on a local network"):
        serve.own_address()


def test_its_own_address_is_asked_for(monkeypatch):
    class Wired(socket.socket):
        def connect(self, address: object) -> None: ...

        def getsockname(self) -> tuple[str, int]:
            return ("192.168.1.5", 1)

    monkeypatch.setattr(serve.socket, "socket", Wired)
    assert serve.own_address() == "192.168.1.5"


@pytest.mark.parametrize("arguments", [["--port", "0"], ["--port", "x"], ["--cases", "nowhere"]])
def test_wrong_usage_is_a_sentence(arguments, tmp_path):
    done = subprocess.run([sys.executable, "-m", "casebase", "serve", "--cases", str(tmp_path / "none"), *arguments], cwd=ROOT,
                          env=environment(), capture_output=True, text=True, timeout=PATIENCE)
    assert done.returncode == 2 and "Traceback" not in done.stderr


def test_help_names_the_options():
    done = subprocess.run([sys.executable, "-m", "casebase", "serve", "--help"], cwd=ROOT, env=environment(), capture_output=True,
                          text=True, timeout=PATIENCE)
    assert done.returncode == 0 and all(option in done.stdout for option in ("--port", "--lan", "--new-token", "--cases", "Example:"))


def test_the_way_to_the_pages_costs_other_commands_nothing():
    script = "import sys\nfrom casebase.cli.main import load_asked\nload_asked(['casebase', 'find'])\nprint(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", script], env=environment(), capture_output=True, text=True, check=True)
    assert not {"starlette", "jinja2", "uvicorn", "segno", "casebase.serve"} & set(done.stdout.split())


def test_the_address_is_asked_for_only_with_lan(monkeypatch, tmp_path: Path):
    monkeypatch.setattr(serve, "own_address", lambda: pytest.fail("asked for"))
    monkeypatch.setattr(serve.uvicorn.Server, "run", lambda self, sockets: None)
    said: list[str] = []
    folder = copy_of_demo(tmp_path, 1)
    done = casebase("serve", "--port", str(free_port()), "--cases", str(folder))
    assert done.code == 0 and "this machine only" in done.out
    monkeypatch.setattr(serve, "own_address", lambda: "127.0.0.3")
    serve.serve(folder, free_port(), lan=True, say=said.append)
    assert "Token: " in said[-2]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_ends_when_told_to(number, tmp_path):
    process = subprocess.Popen([sys.executable, "-m", "casebase", "serve", "--port", str(free_port()), "--cases", str(copy_of_demo(tmp_path, 1))],
                               cwd=ROOT, env=environment(), text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None
    process.stdout.readline()
    time.sleep(0.5)
    process.send_signal(number)
    _out, complaints = process.communicate(timeout=PATIENCE)
    assert process.returncode != 1 and complaints == ""
