"""What no request gets past: hosts, origins, tokens, sizes, slowness, the access table; and that a form counts once."""

from __future__ import annotations

import asyncio
import re
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from commands import DEMO, copy_of_demo
from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse, Response
from starlette.testclient import TestClient
from web_site import HOST, ORIGIN, Seen, visitor

from casebase.api import CaseBase
from casebase.problems import Problem, Refused, refuse
from casebase.record.case import Check
from casebase.record.edit import add_step
from casebase.web import access, app, guard, sessions
from casebase.web.access import TABLE, Row
from casebase.web.denied import Denied, status_of
from casebase.web.forms import Fields, read_form, read_pairs
from casebase.web.held import KEPT, Held
from casebase.web.once import MOST_ANSWERS, Once
from casebase.web.sessions import GUESSES, Sessions
from casebase.web.site import Site, Visit

TOKEN = sessions.new_token()
POLICY = ("default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'self'; "
          "frame-ancestors 'none'")
FILLED = {"/case/{reference}": "/case/26-015", "/sheet/{reference}": "/sheet/26-015", "/static/{name}": "/static/casebase.css",
          "/api/case/{reference}": "/api/case/26-015"}


pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture(scope="module")
def held() -> Held:
    return Held(DEMO)


@pytest.fixture(scope="module")
def free(held: Held) -> TestClient:
    """Loopback, where no token is needed."""
    return client(held)


@pytest.fixture
def shut(held: Held) -> TestClient:
    """The local network, not logged in."""
    return client(held, TOKEN)


def client(held: Held, token: str = "") -> TestClient:
    return TestClient(app.make_app(held, frozenset([HOST]), token), base_url=ORIGIN, headers={"origin": ORIGIN}, follow_redirects=False)


def path_of(row: Row) -> str:
    return FILLED.get(row.path, re.sub(r"{.*?}", "26-022", row.path))


def safe(answer: Any) -> bool:
    return (answer.headers["content-security-policy"] == POLICY and answer.headers["x-content-type-options"] == "nosniff"
            and answer.headers["referrer-policy"] == "same-origin")


# The access table

def test_pages_and_access_table_match():
    assert sorted(app.all_pages()) == sorted(row.key for row in TABLE)


def test_a_route_without_a_row_keeps_the_program_from_starting(monkeypatch):
    monkeypatch.setitem(app.ask.PAGES, "GET /forgotten", app.ask.ask)
    with pytest.raises(ValueError, match="/forgotten"):
        app.all_pages()


def test_a_row_without_a_page_is_noticed_too(monkeypatch):
    monkeypatch.setattr(app, "TABLE", (*TABLE, Row("GET", "/nobody")))
    with pytest.raises(ValueError, match="/nobody"):
        app.all_pages()


def test_nothing_that_writes_is_a_get_and_little_is_open():
    assert not [row for row in TABLE if row.writes and (row.method != "POST" or not row.needs_token)]
    assert {row.path for row in TABLE if not row.needs_token} == {"/enter", "/static/{name}"}
    assert not [row for row in TABLE if row.method == "GET" and row.most_bytes]
    assert {row.path for row in TABLE if row.method == "POST" and not row.proved} == {"/enter"}


@pytest.mark.parametrize("row", [row for row in TABLE if row.proved], ids=lambda row: row.path)
@pytest.mark.parametrize("proof", ["", "0" * 64, "é"])
def test_every_form_but_the_log_in_shows_whose_it_is(free, row, proof):
    free.get("/")
    answer = free.post(path_of(row), data={"proof": proof, "once": "k", "notes": "my <b>words</b>"})
    assert answer.status_code == 403 and safe(answer)
    assert "my <b>words</b>" in Seen(answer.text).fields.values()


# Headers

@pytest.mark.parametrize("row", [row for row in TABLE if row.method == "GET"], ids=lambda row: row.path)
def test_every_answer_has_the_safety_headers(free, row):
    assert safe(free.get(path_of(row)))


@pytest.mark.parametrize(("path", "status"), [("/nowhere", 404), ("/case/99-999", 404), ("/?q=%3F", 400), ("/static/nothing.css", 404),
                                              ("/?" + "a&" * 300, 400), ("/?q=" + "x" * 40_000, 414), ("/api/find?q=", 400)])
def test_errors_have_them_too(free, path, status):
    answer = free.get(path)
    assert answer.status_code == status and safe(answer)


def test_a_fault_of_the_program_is_a_page_too(held, monkeypatch, capsys):
    def fall(visit: Visit) -> Response:
        raise ZeroDivisionError

    monkeypatch.setitem(app.overview.PAGES, "GET /overview", fall)
    answer = client(held).get("/overview")
    assert answer.status_code == 500 and safe(answer)
    assert "It is not your doing" in answer.text and "ZeroDivisionError" not in answer.text
    assert "ZeroDivisionError" in capsys.readouterr().err


# Hosts

@pytest.mark.parametrize("method", ["GET", "POST", "HEAD", "PUT", "DELETE", "OPTIONS", "TRACE"])
@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example:8017", "127.0.0.1", "127.0.0.1:8018", "127.0.0.1:8017.", "127.0.0.1.:8017",
                                  "evil.example:8017", "", "[::1]:8017", "127.0.0.1:8017@evil.example", "127.1:8017", "0x7f000001:8017"])
def test_a_foreign_host_is_refused_on_every_method(free, method, host):
    answer = free.request(method, "/", headers={"host": host})
    assert answer.status_code == 403 and safe(answer)


def asked(application: Any, headers: list[tuple[bytes, bytes]], path: str = "/", method: str = "GET", body: list[Any] | None = None,
          query: bytes = b"") -> tuple[int, bytes]:
    """A request as the server would hand it over, for what a client library will not send."""
    messages = body or [{"type": "http.request", "body": b"", "more_body": False}]
    sent: list[Any] = []

    async def receive() -> Any:
        if not messages:
            await asyncio.sleep(60)
        part = messages.pop(0)
        if isinstance(part, float):
            await asyncio.sleep(part)
            return {"type": "http.request", "body": b"x", "more_body": True}
        return part

    async def send(message: Any) -> None:
        sent.append(message)

    scope = {"type": "http", "method": method, "path": path, "raw_path": path.encode(), "query_string": query, "headers": headers,
             "client": ("10.0.0.9", 5), "scheme": "http", "server": ("127.0.0.1", 8017), "http_version": "1.1", "root_path": ""}
    asyncio.run(application(scope, receive, send))
    return (sent[0]["status"], b"".join(message.get("body", b"") for message in sent)) if sent else (0, b"")


@pytest.mark.parametrize("headers", [[], [(b"host", HOST.encode())] * 2, [(b"host", HOST.encode()), (b"host", b"evil.example")]])
def test_no_host_or_two_hosts_are_refused(free, headers):
    assert asked(free.app, headers)[0] == 403


def test_a_host_in_capitals_is_the_same_host(held):
    application = app.make_app(held, frozenset(["localhost:8017"]))
    assert asked(application, [(b"host", b"LOCALHOST:8017")])[0] == 200


def test_web_sockets_are_closed(free):
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    asyncio.run(free.app({"type": "websocket", "path": "/"}, None, send))
    assert sent == [{"type": "websocket.close", "code": 1008}]


# Origins and forms

@pytest.mark.parametrize("origin", ["http://evil.example", "null", "", "http://127.0.0.1:80170", "http://127.0.0.1:8017.evil.example", "https://127.0.0.1:8017",
                                    "http://127.0.0.1", "http://127.0.0.1:8017/", "http://localhost:8017", "HTTP://127.0.0.1:8017"])
def test_a_post_from_elsewhere_is_refused(shut, origin):
    answer = shut.post("/enter", data={"key": TOKEN}, headers={"origin": origin})
    assert answer.status_code == 403 and safe(answer) and "set-cookie" not in answer.headers


def test_a_post_without_origin_is_refused(held):
    bare = TestClient(app.make_app(held, frozenset([HOST]), TOKEN), base_url=ORIGIN, follow_redirects=False)
    assert bare.post("/enter", data={"key": TOKEN}).status_code == 403


@pytest.mark.parametrize("kind", ["text/plain", "application/json", "application/xml", ""])
def test_only_forms_are_taken(shut, kind):
    answer = shut.post("/enter", content=b'{"key": "x"}', headers={"content-type": kind})
    assert answer.status_code == 400


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT"])
def test_other_methods_are_refused(free, method):
    assert free.request(method, "/").status_code == 405


# Tokens

@pytest.mark.parametrize("row", [row for row in TABLE if row.needs_token], ids=lambda row: row.key)
@pytest.mark.parametrize("cookie", [None, "", "x", "A" * 43, TOKEN, "é"],
                         ids=["none", "empty", "short", "wrong", "the token itself", "not ASCII"])
def test_every_route_is_shut_without_the_token(shut, row, cookie):
    headers = {} if cookie is None else {"cookie": f"casebase={cookie}".encode()}
    answer = shut.request(row.method, path_of(row), headers=headers)
    assert answer.status_code == 401 and safe(answer)
    assert "26-022" not in answer.text and "blower" not in answer.text


def test_paths_are_not_told_without_the_token(shut):
    assert {shut.get(path).status_code for path in ("/nowhere", "/case/99", "/.git/config")} == {401}
    assert shut.delete("/").status_code == 401


def test_log_in_by_address_leaves_no_token_in_it(shut):
    answer = shut.get(f"/enter?key={TOKEN}")
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie and TOKEN not in cookie
    seen = shut.get("/")
    assert seen.status_code == 200 and TOKEN not in seen.text


def test_log_in_by_form(shut):
    assert "Token from the terminal" in shut.get("/").text
    assert shut.post("/enter", data={"key": "wrong"}).status_code == 401
    assert shut.post("/enter", data={"key": f" {TOKEN} "}).status_code == 303
    assert shut.get("/overview").status_code == 200


def test_a_session_runs_out(held, monkeypatch):
    now = [0.0]
    monkeypatch.setattr(app, "Sessions", lambda token: Sessions(token, lambda: now[0]))
    visitor = client(held, TOKEN)
    visitor.get(f"/enter?key={TOKEN}")
    now[0] = sessions.SESSION_SECONDS - 1.0
    assert visitor.get("/").status_code == 200
    now[0] += 1.0
    assert visitor.get("/").status_code == 401


def test_ten_thousand_guesses_are_limited_and_the_owner_gets_in(shut):
    found = [shut.get(f"/enter?key=guess{number}").status_code for number in range(GUESSES + 30)]
    assert found == [401] * GUESSES + [429] * 30
    assert shut.get("/enter?key=guess").headers["retry-after"] == "60"
    guessed = Sessions(TOKEN)
    assert sum(guessed.too_many_guesses(f"10.0.{number // 250}.{number % 250}") for number in range(10_000)) == 10_000 - sessions.ALL_GUESSES
    assert len(guessed._wrong) <= sessions.MOST_ADDRESSES
    assert shut.get(f"/enter?key={TOKEN}").status_code == 303


def test_guesses_are_forgotten_after_a_minute():
    now = [0.0]
    guessed = Sessions(TOKEN, lambda: now[0])
    assert [guessed.too_many_guesses("a") for _ in range(GUESSES + 1)][-1]
    now[0] = sessions.MINUTE
    assert not guessed.too_many_guesses("a")


def test_tokens_are_long_and_compared_whole(monkeypatch):
    assert len({sessions.new_token() for _ in range(50)}) == 50
    assert sessions.TOKEN_BYTES * 8 >= 128
    compared = []
    monkeypatch.setattr(sessions.hmac, "compare_digest", lambda one, other: compared.append((one, other)) or one == other)
    assert Sessions(TOKEN).is_token(TOKEN) and not Sessions(TOKEN).is_token(TOKEN[:-1]) and not Sessions(TOKEN).is_token("\ud800é")
    assert not Sessions("").is_token("")
    assert len(compared) == 3


def test_a_session_is_signed_with_its_token():
    now = [1_000_000.0]
    mine = Sessions(TOKEN, lambda: now[0])
    session = mine.start()
    ends, name, signed = session.split(".")
    assert mine.holds(session) and Sessions(TOKEN, lambda: now[0]).holds(session), "and outlives a restart"
    assert not Sessions(sessions.new_token(), lambda: now[0]).holds(session), "and ends with its token"
    for forged in (f"{int(ends) + 1}.{name}.{signed}", f"{ends}.{name[:-1]}_.{signed}", f"{ends}.{name}.{'0' * 64}", f"{ends}.{name}.{signed}\n",
                   f"{ends}.{name}", Sessions("").start(), Sessions(sessions.new_token()).start()):
        assert not mine.holds(forged), forged
    assert TOKEN not in session
    now[0] = float(ends)
    assert not mine.holds(session)


def test_cookies_of_others_do_no_harm(free):
    free.get("/")
    mine = free.cookies["casebase"]
    answer = free.get("/", headers={"cookie": f'@=x; "; casebase={mine}; path=/'})
    assert answer.status_code == 200 and "set-cookie" not in answer.headers


def test_without_a_token_there_is_nothing_to_log_in_to(free):
    assert free.get("/enter").headers["location"] == "/"


def test_a_server_may_tell_it_of_start_and_end(held):
    with client(held) as started:
        assert started.get("/overview").status_code == 200


def test_a_strange_cookie_is_no_session(free):
    answer = free.get("/", headers={"cookie": b'casebase=";=\x00'})
    assert answer.status_code == 200 and "casebase=" in answer.headers["set-cookie"]


# Sizes and slowness

def test_a_body_larger_than_the_row_allows_is_refused(shut, free):
    assert shut.post("/enter", data={"key": "x" * 2_000}).status_code == 413
    assert free.request("GET", "/", content=b"x").status_code == 413


HEAD = [(b"host", HOST.encode()), (b"origin", ORIGIN.encode()), (b"content-type", b"application/x-www-form-urlencoded")]


@pytest.mark.parametrize(("length", "parts", "status"), [
    (b"2000000000", [], 413), (b"9" * 5_000, [], 400), (b"-5", [], 400), ("²".encode("latin-1"), [], 400),
    (b"5", [b"key=abcdef"], 400), (b"50", [b"key=ab"], 400), (None, [b"x" * 600] * 3, 413)])
def test_false_lengths_and_endless_bodies(shut, length, parts, status):
    headers = HEAD + ([(b"content-length", length)] if length else [])
    body = [{"type": "http.request", "body": part, "more_body": number < len(parts) - 1} for number, part in enumerate(parts)]
    assert asked(shut.app, headers, "/enter", "POST", body or None)[0] == status


def test_a_body_that_trickles_in_is_given_up(shut, monkeypatch):
    monkeypatch.setattr(guard, "BODY_SECONDS", 0.1)
    began = time.monotonic()
    assert asked(shut.app, HEAD, "/enter", "POST", [0.04] * 200)[0] == 408
    assert time.monotonic() - began < 3


def test_one_who_leaves_gets_no_answer(shut):
    assert asked(shut.app, HEAD, "/enter", "POST", [{"type": "http.disconnect"}]) == (0, b"")


def test_a_long_address_is_refused(free):
    assert asked(free.app, HEAD, query=b"q=" + b"x" * 1_000_000)[0] == 414
    assert asked(free.app, HEAD, path="/" + "x" * 40_000)[0] == 414


def test_a_hundred_thousand_fields_are_refused(shut, monkeypatch):
    assert shut.get("/enter?" + "a&" * 5_000).status_code == 400
    with pytest.raises(Denied, match="Too many fields"):
        read_pairs(b"a&" * 100_000)
    assert read_pairs(b"a=\xff&b=%ff&c=x%0d%0ay").pairs == (("a", "\ufffd"), ("b", "\ufffd"), ("c", "x\ny"))


def multipart(*fields: tuple[str, str]) -> tuple[Headers, bytes]:
    body = "".join(f'--x\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n' for name, value in fields) + "--x--\r\n"
    return Headers({"content-type": "multipart/form-data; boundary=x"}), body.encode()


def test_forms_in_parts_are_read_and_limited():
    read = asyncio.run(read_form(*multipart(("a", "1"), ("a", " 2 "), ("b", ""))))
    assert (read.get("a"), read.all("a"), read.get("b"), read.get("c", "z")) == ("1", ("1", "2"), "", "z")
    with pytest.raises(Denied):
        asyncio.run(read_form(*multipart(*[("a", "1")] * 300)))
    with pytest.raises(Denied):
        asyncio.run(read_form(Headers({"content-type": "multipart/form-data"}), b"--x"))
    with pytest.raises(Denied):
        asyncio.run(read_form(Headers({"content-type": "multipart/form-data; boundary=x"}), b"--y\r\nrubbish"))


def test_a_file_in_a_form_is_handed_on():
    body = b'--x\r\nContent-Disposition: form-data; name="photo"; filename="a.png"\r\n\r\nPNG\r\n--x--\r\n'
    read = asyncio.run(read_form(Headers({"content-type": "multipart/form-data; boundary=x"}), body))
    assert read.files["photo"] == ("a.png", b"PNG")


# A form counts once

def writing(held: Held, monkeypatch: pytest.MonkeyPatch, act: Any) -> TestClient:
    """A site with a page that writes, whose form is on /overview's address."""
    row = Row("POST", "/overview", writes=True, most_bytes=access.FORM)
    monkeypatch.setattr(app, "TABLE", (*TABLE, row))
    monkeypatch.setattr(guard, "PATTERNS", [*guard.PATTERNS, (re.compile("^/overview$"), row)])
    monkeypatch.setitem(app.overview.PAGES, "POST /overview", act)
    found = client(held)
    found.get("/")
    return found


def proof_of(found: TestClient) -> str:
    site: Site = found.app.site  # type: ignore[attr-defined]
    return site.sessions.proof(found.cookies["casebase"])


def test_the_same_form_twice_counts_once(held, monkeypatch):
    done: list[str] = []

    def act(visit: Visit) -> Response:
        done.append(visit.form.get("words"))
        return visit.go(f"/case/{len(done)}")

    found = writing(held, monkeypatch, act)
    form = {"proof": proof_of(found), "once": "k1", "words": "x"}
    answers = [found.post("/overview", data=form) for _ in range(3)]
    assert [answer.headers["location"] for answer in answers] == ["/case/1"] * 3 and done == ["x"]
    assert all(safe(answer) for answer in answers)
    assert found.post("/overview", data=form | {"once": "k2"}).headers["location"] == "/case/2"


@pytest.mark.parametrize(("change", "status"), [({"proof": ""}, 403), ({"proof": "0" * 64}, 403), ({"proof": "é"}, 403), ({"once": ""}, 400)])
def test_a_form_without_proof_or_key_changes_nothing_and_keeps_the_words(held, monkeypatch, change, status):
    done: list[str] = []
    found = writing(held, monkeypatch, lambda visit: done.append("x") or visit.go("/"))
    answer = found.post("/overview", data={"proof": proof_of(found), "once": "k", "words": "typed <b>words</b>"} | change)
    assert answer.status_code == status and not done and safe(answer)
    assert "typed <b>words</b>" in Seen(answer.text).fields.values()


def test_the_proof_of_another_session_does_not_do(held, monkeypatch):
    found = writing(held, monkeypatch, lambda visit: visit.go("/"))
    proof = proof_of(found)
    found.cookies.clear()
    found.get("/")
    assert found.post("/overview", data={"proof": proof, "once": "k"}).status_code == 403


def test_what_was_refused_may_be_sent_again(held, monkeypatch):
    tries: list[int] = []

    def act(visit: Visit) -> Response:
        tries.append(1)
        if len(tries) == 1:
            raise refuse("changed", "the file was changed meanwhile", "look at it again")
        return visit.go("/")

    found = writing(held, monkeypatch, act)
    form = {"proof": proof_of(found), "once": "k", "note": "what I typed"}
    first = found.post("/overview", data=form)
    assert first.status_code == 409 and "The file was changed meanwhile. Look at it again." in Seen(first.text).text
    assert "what I typed" in Seen(first.text).fields.values()
    assert found.post("/overview", data=form).status_code == 303


def test_two_at_the_same_moment_are_one():
    once, began, answers = Once(), [], []
    gate = threading.Barrier(5)

    def act() -> Response:
        began.append(1)
        time.sleep(0.05)
        return PlainTextResponse("done")

    def send() -> None:
        gate.wait()
        answers.append(once(("s", "p", "k"), act))

    threads = [threading.Thread(target=send) for _ in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(began) == 1 and len(answers) == 5 and len(set(map(id, answers))) == 1


def test_only_the_last_answers_are_kept():
    once = Once()
    for number in range(MOST_ANSWERS + 20):
        once(("s", str(number)), lambda: PlainTextResponse(""))
    assert len(once._answers) == len(once._busy) == MOST_ANSWERS


def test_statuses_of_refusals():
    assert [status_of(refuse(code, "x")) for code in ("no-case", "changed", "not-saved", "anything")] == [404, 409, 507, 400]
    assert status_of(Refused(Problem("too-long", "x"))) == 413


def test_fields_know_their_order():
    assert list(Fields([("a", "1\r\n2\r3")])) == [("a", "1\n2\n3")]


# The engine, held

def test_a_change_by_another_program_is_seen(tmp_path):
    place = copy_of_demo(tmp_path, 3)
    now = [0.0]
    kept = Held(place, lambda: now[0])
    before = kept.base()
    assert kept.base() is before
    file = sorted(place.glob("*.md"))[0]
    (place / "26-900-new.md").write_text(file.read_text())
    assert kept.base() is before, "not looked again within a second"
    now[0] = 1.5
    kept.base()
    for _ in range(100):
        if kept._base.index.size == before.index.size + 1:
            break
        time.sleep(0.05)
    assert kept._base.index.size == before.index.size + 1
    now[0] = 3.0
    (place / "casebase.toml").write_text('currency = "GBP"\n')
    kept.refresh()
    assert kept.base().index.settings.currency == "GBP"


def test_a_folder_that_goes_away_still_answers(tmp_path):
    place = copy_of_demo(tmp_path, 3)
    kept = Held(place)
    place.rename(tmp_path / "elsewhere")
    kept.refresh()
    assert kept.base().index.size == 3
    shown = client(kept).get("/?q=will not start")
    assert shown.status_code == 200
    answer = client(kept).get(f"/case/{kept.base().index.id(0)}")
    assert answer.status_code == 400 and "is not a folder" in answer.text


def test_writing_is_seen_at_once_and_leaves_readers_alone(tmp_path):
    kept = Held(copy_of_demo(tmp_path))
    reading = kept.base()
    with kept.writing() as base:
        assert isinstance(base, CaseBase) and base is not reading and base.index is reading.index
        add_step(base.job_file("26-022").path, Check("fuel line", "sound", "ok"))
    assert kept.base() is not reading
    assert "fuel line" in client(kept).get("/case/26-022-snow-thrower-early-bird").text


def test_answers_are_kept_until_the_folder_changes(tmp_path):
    kept = Held(copy_of_demo(tmp_path, 3))
    made: list[int] = []

    def answer(key: int) -> int:
        return kept.kept(kept.base(), key, lambda: made.append(key) or key)

    assert [answer(1), answer(1), answer(2)] == [1, 1, 2] and made == [1, 2]
    old = kept.base()
    with kept.writing() as base:
        add_step(base.job_file(old.index.id(0)).path, Check("fuel line", "sound", "ok"))
    assert answer(1) == 1 and made == [1, 2, 1]
    assert kept.kept(old, 1, lambda: 7) == 7, "a page that began before the change is not given what came after it"
    made.clear()
    for key in range(KEPT + 1):
        answer(key)
    assert answer(KEPT) == KEPT and made.count(KEPT) == 1
    assert answer(0) == 0 and made.count(0) == 2


def test_a_long_look_at_the_folder_keeps_nobody_waiting(tmp_path, monkeypatch):
    kept, now, looked = Held(copy_of_demo(tmp_path, 3)), time.monotonic(), threading.Event()
    kept._took, kept._next_look = 1.0, now
    monkeypatch.setattr(kept, "_take_in", lambda: looked.wait(60))
    monkeypatch.setattr("casebase.web.held.WAIT", None)
    assert kept.base().index.size == 3
    assert not looked.is_set()
    looked.set()


def test_a_writer_that_fails_frees_the_next(held):
    with pytest.raises(Refused), held.writing() as base:
        base.job_file("99-999")
    with held.writing() as base:
        assert base.index.size


def test_many_threads_get_the_answers_of_one():
    """Much of the vocabulary is decoded when first met, and the stemmer serves one word at a time."""
    usual = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)
    words = [f"flyweel surgeing blowr stutterd {word}ing wobbled" for word in ("clatter", "gurgl", "shudder", "splutter", "whistl", "grumbl")]
    fresh = Held(DEMO)
    answers: dict[str, list[str]] = {text: [] for text in words}

    def ask() -> None:
        for text in words:
            found = fresh.base().find(text)
            answers[text].append(f"{[(m.id, round(m.score, 9)) for m in found.ranking.shown]} {found.question}")

    try:
        threads = [threading.Thread(target=ask) for _ in range(6)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    finally:
        sys.setswitchinterval(usual)
    assert all(len(given) == 6 and len(set(given)) == 1 for given in answers.values())


def test_visitor_helper_is_what_the_tests_say(tmp_path: Path):
    found = visitor(copy_of_demo(tmp_path, 1))
    assert found.get("/").status_code == 200 and found.get("/", headers={"host": "localhost:8017"}).status_code == 200
