"""What a person keeps when the program ends under an open page, or a log-in runs out: the words, and no step written twice."""

from __future__ import annotations

import os
import re
import stat
from pathlib import Path
from typing import Any

import pytest
from commands import copy_of_demo
from starlette.testclient import TestClient
from test_web_job import opened, picture
from web_site import HOST, ORIGIN, Seen

from casebase.record.folder import load
from casebase.web.app import make_app
from casebase.web.held import Held
from casebase.web.once import MOST_ANSWERS, Once
from casebase.web.ownfile import NOT_THERE, read_own, write_own
from casebase.web.sessions import new_token
from casebase.web.site import Visit
from casebase.web.tokenfile import FILE, KEPT_SECONDS, kept_token

TOKEN = new_token()
LINE = "air filter filthy, bad"


pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path, 8)


def run(folder: Path, before: TestClient | None = None, token: str = "") -> TestClient:
    """The program started anew, asked by the browser that had its pages open `before`."""
    app = make_app(Held(folder), frozenset([HOST]), token, folder.parent / "written")
    cookies = dict(before.cookies) if before else None
    return TestClient(app, base_url=ORIGIN, headers={"origin": ORIGIN}, cookies=cookies, follow_redirects=False)


def steps(folder: Path, job: str) -> int:
    case = load(folder / f"{job.rpartition('/')[2]}.md").case
    assert case is not None
    return len(case.steps)


def form_of(page: Any, **fields: str) -> dict[str, str]:
    """What the first form of a page that goes to the bench's log would send."""
    hidden = dict(re.findall(r'type="hidden" name="(proof|once|mark)" value="([^"]*)"', page.text))
    return {**hidden, **fields}


def again(client: TestClient, page: Any, path: str) -> Any:
    """Taps "Send it again"."""
    assert "Send it again" in page.text and f'action="{path}"' in page.text
    return client.post(path, data=Seen(page.text).fields)


def test_a_form_of_the_run_before_keeps_its_words_and_is_sent_by_one_tap(folder: Path) -> None:
    first = run(folder)
    job = opened(first)
    open_page = first.get(job)
    second = run(folder, first)
    stale = second.post(f"{job}/log", data=form_of(open_page, line=LINE))
    assert stale.status_code == 403 and "started anew" in stale.text
    assert Seen(stale.text).fields["line"] == LINE and steps(folder, job) == 0
    assert again(second, stale, f"{job}/log").headers["location"] == f"{job}?written=1"
    assert steps(folder, job) == 1


def test_a_form_that_had_been_written_is_not_written_again_after_a_restart(folder: Path) -> None:
    first = run(folder)
    job = opened(first)
    form = form_of(first.get(job), line=LINE)
    written = first.post(f"{job}/log", data=form)
    second = run(folder, first)  # the answer did not reach the phone, so it is sent again
    answer = again(second, second.post(f"{job}/log", data=form), f"{job}/log")
    assert (answer.status_code, answer.headers["location"]) == (303, written.headers["location"])
    assert steps(folder, job) == 1
    fresh = second.post(f"{job}/log", data=form_of(second.get(job), line=LINE))
    assert fresh.status_code == 303 and steps(folder, job) == 2, "the same words in a new form are a new step"


def test_notes_that_stood_open_over_a_restart_are_read_after_one_more_tap(folder: Path) -> None:
    first = run(folder)
    form = form_of(first.get("/draft"), notes="It runs only with the choke on. \"Quoted\" & <b>kept</b>.\nNew line.")
    second = run(folder, first)
    page = again(second, second.post("/draft", data=form), "/draft")
    assert page.status_code == 200 and Seen(page.text).fields["notes"] == form["notes"]


def test_a_photograph_is_asked_for_again(folder: Path) -> None:
    first = run(folder)
    job = opened(first)
    form = form_of(first.get(job), step="0")
    second = run(folder, first)
    page = second.post(f"{job}/photo", data=form, files={"photo": ("x.jpg", picture(size=(40, 40)))})
    assert page.status_code == 403 and "Send it again" not in page.text and job in Seen(page.text).links()


def test_a_phone_stays_logged_in_over_a_restart(folder: Path) -> None:
    first = run(folder, token=TOKEN)
    first.get(f"/enter?key={TOKEN}")
    assert run(folder, first, TOKEN).get("/overview").status_code == 200
    assert run(folder, first, new_token()).get("/overview").status_code == 401


def test_a_log_in_that_ended_costs_nobody_their_words(folder: Path) -> None:
    first = run(folder, token=TOKEN)
    first.get(f"/enter?key={TOKEN}")
    job = opened(first)
    form = form_of(first.get(job), line=LINE)
    second = run(folder, token=TOKEN)
    page = second.post(f"{job}/log", data=form)
    assert page.status_code == 401 and Seen(page.text).fields["line"] == LINE and "26-022" not in page.text
    (log_in,) = [one for one in Seen(page.text).all("form") if one["action"] == "/enter"]
    assert log_in["target"] == "_blank", "so that the words stay where they are"
    second.post("/enter", data={"key": TOKEN})
    stale = again(second, page, f"{job}/log")
    assert stale.status_code == 403 and steps(folder, job) == 0
    assert again(second, stale, f"{job}/log").status_code == 303 and steps(folder, job) == 1


@pytest.mark.parametrize("sent", [{"data": {"line": "x"}, "headers": {"origin": "http://evil.example"}}, {"data": {"line": "x" * 70_000}},
                                  {"content": b"line=x", "headers": {"content-type": "text/plain"}}])
def test_nothing_else_is_shown_to_who_is_not_logged_in(folder: Path, sent: dict[str, Any]) -> None:
    page = run(folder, token=TOKEN).post("/job/26-022/log", **sent)
    assert page.status_code == 401 and "Send it again" not in page.text and "xx" not in page.text


# The file of what was written

def went(once: Once, key: str, way: str = "/other") -> str:
    """Where a form with this key leads."""
    site: Any = None
    return str(once(("/p", key), lambda: Visit.go(site, way)).headers["location"])


def test_ways_are_remembered_by_digest_and_only_the_last(tmp_path: Path) -> None:
    file = tmp_path / "written"
    once = Once(file)
    for number in range(MOST_ANSWERS + 5):
        went(once, f"secret{number}", f"/job/{number}")
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    text = file.read_text()
    assert "secret" not in text and len(text.splitlines()) == MOST_ANSWERS
    later = Once(file)
    assert went(later, f"secret{MOST_ANSWERS}") == f"/job/{MOST_ANSWERS}" and went(later, "secret0") == "/other"
    long = went(once, "long", "/job/1?note=" + "x" * 5_000)
    assert len(long) > 5_000 and went(Once(file), "long") == "/job/1"


@pytest.mark.parametrize("line", ["{digest} //evil.example/", "{digest} http://evil.example/", "{digest} /a b", "{digest}", "\xff", "{digest} /a\r"])
def test_no_other_line_leads_anywhere(tmp_path: Path, line: str) -> None:
    file = tmp_path / "written"
    went(Once(file), "k", "/here")
    digest = file.read_text().split()[0]
    file.write_bytes(line.format(digest=digest).encode("latin-1"))
    assert went(Once(file), "k") == "/other"


def test_where_nothing_can_be_written_a_form_counts_once_in_this_run(tmp_path: Path) -> None:
    once = Once(tmp_path / "nowhere" / "written")
    assert [went(once, "k", "/a"), went(once, "k", "/b")] == ["/a", "/a"]


# Files of one's own

def test_a_file_of_ones_own_is_whole_and_shut(tmp_path: Path) -> None:
    path = tmp_path / "file"
    assert read_own(path, 10) == (b"", NOT_THERE)
    assert write_own(path, b"x" * 20)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600 and read_own(path, 10).data == b"x" * 10
    assert [one.name for one in tmp_path.iterdir()] == ["file"]
    (tmp_path / "file.tmp").write_bytes(b"left by a run that was killed, open to all")
    (tmp_path / "file.tmp").chmod(0o666)
    assert write_own(path, b"y") and read_own(path, 10).data == b"y"
    (tmp_path / "there").mkdir()
    assert not write_own(tmp_path / "there", b"x") and not write_own(tmp_path / "none" / "x", b"x")
    assert sorted(one.name for one in tmp_path.iterdir()) == ["file", "there"]


def test_what_others_may_have_written_is_not_believed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "file"
    write_own(path, b"x")
    (tmp_path / "link").symlink_to(path)
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "place").mkdir()
    assert [read_own(tmp_path / name, 10).data for name in ("link", "pipe", "place")] == [b"", b"", b""]
    for mode in (0o620, 0o602, 0o640, 0o604):
        path.chmod(mode)
        assert read_own(path, 10).data == b""
    path.chmod(0o600)
    assert read_own(path, 10).data == b"x"
    monkeypatch.setattr("casebase.web.ownfile.os.getuid", lambda: os.geteuid() + 1)
    assert read_own(path, 10).data == b""


# The token

def test_the_token_is_kept_for_a_week(tmp_path: Path) -> None:
    token, kept = kept_token(tmp_path)
    assert kept and len(token) == 32 and stat.S_IMODE((tmp_path / FILE).stat().st_mode) == 0o600
    assert kept_token(tmp_path) == (token, True)
    other, _kept = kept_token(tmp_path, fresh=True)
    assert other != token and kept_token(tmp_path) == (other, True)
    written = (tmp_path / FILE).stat().st_mtime
    os.utime(tmp_path / FILE, (written, written - KEPT_SECONDS - 1))
    third, _kept = kept_token(tmp_path)
    assert third != other
    os.utime(tmp_path / FILE, (written, written + 10_000))
    assert kept_token(tmp_path)[0] != third, "one from the future would be kept for longer"


@pytest.mark.parametrize("text", ["", "short", "x" * 31 + "é", "x" * 33, " \n"])
def test_what_is_no_token_is_none(tmp_path: Path, text: str) -> None:
    write_own(tmp_path / FILE, text.encode())
    token, kept = kept_token(tmp_path)
    assert kept and token != text and len(token) == 32


def test_a_token_that_cannot_be_kept_ends_with_the_program(tmp_path: Path) -> None:
    assert kept_token(None)[1] is False
    assert kept_token(tmp_path / "nowhere")[1] is False
