"""The pages that write: a job from the complaint to the hand-over, photographs and news, without a network."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest
from commands import copy_of_demo
from PIL import Image
from starlette.testclient import TestClient
from web_site import Seen, visitor

from casebase.record.case import Case
from casebase.record.folder import load
from casebase.web.photos import LONGEST, plain

pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path, 8)


@pytest.fixture
def client(folder: Path) -> TestClient:
    return visitor(folder)


def keys(client: TestClient, page: str) -> dict[str, str]:
    """The hidden fields that a form of a page brings along."""
    found = dict(re.findall(r'type="hidden" name="(proof|once|mark)" value="([^"]*)"', client.get(page).text))
    assert found["proof"]
    return found


def send(client: TestClient, page: str, path: str, **fields: str):
    return client.post(path, data={**keys(client, page), **fields})


def opened(client: TestClient, complaint: str = "surges at full throttle, fuel leak") -> str:
    answer = send(client, "/open", "/open", complaint=complaint, machine="mower, four-stroke")
    assert answer.status_code == 303
    return str(answer.headers["location"]).partition("?")[0]


def case_of(folder: Path, job: str) -> Case:
    case = load(folder / f"{job.rpartition('/')[2]}.md").case
    assert case is not None
    return case


def test_a_job_from_complaint_to_sheet(client: TestClient, folder: Path) -> None:
    job = opened(client)
    assert case_of(folder, job).symptoms == ("surges", "fuel leak")
    assert "Trouble: surges, fuel leak" in Seen(client.get(job).text).text
    back = client.get(f"{job}?line=air filter filthy, bad")
    assert "It is not written yet" not in back.text and "air filter" in Seen(back.text).text
    assert case_of(folder, job).steps == ()  # reading back writes nothing
    assert send(client, job, f"{job}/log", line="air filter filthy, bad").headers["location"] == f"{job}?written=1"
    fields = {"set": "low-speed screw", "from": "1 turn", "to": "1 1/4 turns", "for": "surges", "result": "cured"}
    assert send(client, job, f"{job}/log", **fields).status_code == 303
    assert send(client, job, f"{job}/log", do="fit carburettor kit", minutes="40", parts="11.80").status_code == 303
    assert [type(step).__name__ for step in case_of(folder, job).steps] == ["Check", "Setting", "Repair"]
    end = f"{job}/finish"
    short = send(client, end, end, outcome="fixed")
    assert short.status_code == 400
    assert "what came of it is not said" in Seen(short.text).text and "--" not in Seen(short.text).text
    names = re.findall(r'name="(safety-[^"]*)"', client.get(end).text)
    done = send(client, end, end, outcome="fixed", proved="ran ten minutes", cause="stale fuel", **dict.fromkeys(names, "ok"),
                **{"result-3": "cured", "for-3": "fuel leak"})
    assert done.headers["location"].startswith(f"/case/{job.rpartition('/')[2]}")
    case = case_of(folder, job)
    assert (case.status, case.outcome, case.proof) == ("closed", "fixed", ("ran ten minutes",))
    assert [fault.fault for fault in case.causes] == ["stale fuel"]
    assert client.get(f"/sheet/{case.id}").status_code == 200
    assert client.get(end).status_code == 303  # a closed job is not finished twice


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"line": "fiddled about"}, "does not say what was checked"),
        ({"set": "low-speed screw", "from": "1"}, "has no unit"),
        ({"check": "air filter", "result": "cured"}, "does not go with result"),
        ({"do": "replace fuel line", "result": "cured"}, "which"),
    ],
)
def test_what_is_asked_back_keeps_what_was_typed(client: TestClient, folder: Path, fields: dict[str, str], says: str) -> None:
    job = opened(client)
    answer = send(client, job, f"{job}/log", **fields)
    seen = Seen(answer.text)
    assert answer.status_code == 400
    assert says in seen.text
    assert next(iter(fields.values())) in [*seen.fields.values(), *[item.get("value") for item in seen.all("input")]]
    assert case_of(folder, job).steps == ()


def test_a_form_sent_twice_counts_once(client: TestClient, folder: Path) -> None:
    job = opened(client)
    form = {**keys(client, job), "line": "air filter filthy, bad"}
    first, second = (client.post(f"{job}/log", data=form) for _ in range(2))
    assert first.headers["location"] == second.headers["location"]
    assert len(case_of(folder, job).steps) == 1


def test_two_people_at_one_job_lose_nothing_and_are_told(client: TestClient, folder: Path) -> None:
    job = opened(client)
    mine, theirs, closing = keys(client, job), keys(client, job), keys(client, f"{job}/finish")
    client.post(f"{job}/log", data={**theirs, "line": "air filter filthy, bad"})
    told = client.post(f"{job}/log", data={**mine, "line": "fuel filter clean"}).headers["location"]
    assert told.endswith("others=yes")
    assert "Somebody else wrote into this job" in client.get(told).text
    assert len(case_of(folder, job).steps) == 2
    late = client.post(f"{job}/finish", data={**closing, "outcome": "not fixed", "advice": "keep it dry"})
    assert late.status_code == 409
    assert Seen(late.text).fields["advice"] == "keep it dry" and "fuel filter" in Seen(late.text).text  # both texts
    assert case_of(folder, job).status == "open"


def test_a_symptom_that_turns_up_on_the_bench(client: TestClient, folder: Path) -> None:
    job = opened(client)
    assert send(client, job, f"{job}/add", field="symptoms", value="overheats").status_code == 303
    assert send(client, job, f"{job}/add", field="absent", value="oil leak").status_code == 303
    case = case_of(folder, job)
    assert "overheats" in case.symptoms and "oil leak" in case.absent
    assert send(client, job, f"{job}/add", field="private", value="x").status_code == 400


def picture(kind: str = "JPEG", size: tuple[int, int] = (3000, 2000)) -> bytes:
    made = io.BytesIO()
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = 6, "Maker of cameras"
    exif.get_ifd(0x8825)[2] = (52.0, 31.0, 12.0)  # latitude
    Image.new("RGB", size, (200, 10, 10)).save(made, kind, exif=exif)
    return made.getvalue()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_photograph_is_small_upright_and_says_nothing_else(kind: str) -> None:
    found = plain(picture(kind))
    again = Image.open(io.BytesIO(found))
    assert again.size == (round(LONGEST * 2 / 3), LONGEST)  # turned as the camera was held
    assert not dict(again.getexif())
    assert b"Maker of cameras" not in found and b"Exif" not in found


def test_photographs_of_a_step(client: TestClient, folder: Path) -> None:
    job = opened(client)
    send(client, job, f"{job}/log", line="air filter filthy, bad")
    answer = client.post(f"{job}/photo", data={**keys(client, job), "step": "1"}, files={"photo": ("../../x.jpg", picture())})
    assert answer.status_code == 303
    (shown,) = [image["src"] for image in Seen(client.get(job).text).all("img")]
    assert client.get(shown).headers["content-type"] == "image/jpeg"
    assert [path.name for path in (folder / "photographs").rglob("*.jpg")] == ["1-1.jpg"]
    assert client.get(shown.replace("1-1", "1-2")).status_code == 404


@pytest.mark.parametrize("data", [b"<svg onload=alert(1)>", b"", b"GIF89a" + b"0" * 50, picture()[:2000]])
def test_what_is_no_photograph_is_refused(client: TestClient, folder: Path, data: bytes) -> None:
    job = opened(client)
    answer = client.post(f"{job}/photo", data={**keys(client, job), "step": "0"}, files={"photo": ("x.jpg", data)})
    assert answer.status_code == 400
    assert not list(folder.rglob("*.jpg"))


def test_news_by_tap(client: TestClient, folder: Path) -> None:
    seen = client.get("/followups").text
    job = re.search(r'name="job" value="([^"]*)"', seen)
    assert job is not None
    assert send(client, "/followups", "/followups", job=job[1], news="holding").status_code == 303
    assert case_of(folder, job[1]).followups[-1].status == "holding"
    assert send(client, "/followups", "/followups", job=job[1], news="perhaps").status_code == 400
    back = re.findall(r'name="job" value="([^"]*)"', client.get("/followups").text)[0]
    answer = send(client, "/followups", "/followups", job=back, news="came back")
    assert case_of(folder, str(answer.headers["location"]).partition("?")[0]).comeback_of == back


def test_a_wrong_job_is_a_page(client: TestClient) -> None:
    for path in ("/job/26-999", "/job/26-999/finish", "/photo/26-999/1-1.jpg"):
        assert client.get(path).status_code == 404
    assert send(client, "/open", "/open", complaint="", machine="").status_code == 400
    assert send(client, "/open", "/open", complaint="it is dead", machine="").status_code == 400


def test_a_line_that_leaves_the_symptom_open_is_settled_by_a_tap(client: TestClient, folder: Path) -> None:
    job, line = opened(client), "cleaned the carb, cured"
    page = client.get(f"{job}?line={line}").text
    choices = re.findall(r'name="for" value="([^"]*)"', page)
    assert choices == ["surges", "fuel leak"]
    assert send(client, f"{job}?line={line}", f"{job}/log", line=line, **{"for": "surges"}).status_code == 303
    (step,) = case_of(folder, job).repairs()
    assert [(effect.symptom, effect.result) for effect in step.effects] == [("surges", "cured")]
