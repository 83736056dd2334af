"""The write-up page: notes become a case, what is unsure is settled by tap, and nothing that was typed is lost on the way."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from commands import copy_of_demo
from small_folders import DATA
from starlette.testclient import TestClient
from web_site import Seen, visitor

from casebase.api import CaseBase
from casebase.problems import refuse
from casebase.record.case import Check, Fault
from casebase.record.folder import load
from casebase.retain.draft import Draft, DraftCause, DraftStep
from casebase.retain.story import Entry
from casebase.web.pages.write_up import Typed

STORY = (DATA / "stories" / "01-trimmer-choke.txt").read_text(encoding="utf-8")
UNSURE = "String trimmer. It runs only with the choke on and the throttle sticks. The air filter was filthy. It was the filter, I think."
MORE = "I also greased the gear head."
CHANGED = "changed since they were read"


pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path, 8)


@pytest.fixture
def client(folder: Path) -> TestClient:
    return visitor(folder)


@pytest.fixture
def fixed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Notes are read in one way for good, so that these tests stand whatever the reader learns: three doubts, one sure entry."""

    def read(self: CaseBase, notes: str) -> Draft:
        machine, trouble, filter_, cause = UNSURE.split(". ")
        if not re.search(r"\w", notes):
            raise refuse("no-words", "there are no words in these notes", field="notes")
        return Draft(
            notes, (Entry("kind", "string trimmer", machine),), Entry("complaint", "it runs only with the choke on", trouble),
            (Entry("symptoms", "runs only on choke", trouble), Entry("symptoms", "throttle sticks", trouble, "may be of another machine")),
            steps=(DraftStep(Check("air filter", "filthy", "bad"), (filter_,), ("is not said to be bad",)),),
            causes=(DraftCause(Fault("air filter blocked", ("runs only on choke",)), cause, "only thought to be"),),
            advice=(Entry("advice", MORE, MORE),) if MORE in notes else ())

    monkeypatch.setattr(CaseBase, "draft", read)


def send(client: TestClient, page: Any, path: str, **fields: str) -> Any:
    """Sends the page's form on, as a browser would, with these fields typed into or tapped."""
    form: dict[str, Any] = {name: value for name, value in Seen(page.text).fields.items() if name != "out"}
    return client.post(path, data={**form, "out": re.findall(r'name="out" value="([^"]*)"', page.text), **fields})


def read(client: TestClient, notes: str) -> Any:
    return send(client, client.get("/draft"), "/draft", notes=notes)


def marks(page: Any, how: str) -> list[str]:
    return re.findall(rf'value="({how}:[^"]*)"', page.text)


def states(page: Any) -> list[str]:
    """What the list of all that was read says of each entry that was unsure."""
    part = page.text.partition('id="read"')[2].partition("</section>")[0]
    return ["unsure" if "unsure" in said else said for said in re.findall(r'<span class="(?:against|verdict)">([^<]*)</span>', part)]


def test_notes_become_a_case_once_they_were_looked_over(client: TestClient, folder: Path) -> None:
    before = len(list(folder.glob("*.md")))
    page = read(client, STORY)
    seen = Seen(page.text)
    assert page.status_code == 200
    assert "The owner says it will only run with the choke on" in seen.text
    assert len(list(folder.glob("*.md"))) == before  # reading writes nothing
    broken = send(client, page, "/draft/keep", text=seen.fields["text"].replace("status: open", "status: opne"))
    assert broken.status_code == 400
    assert "line" in Seen(broken.text).text and "opne" in Seen(broken.text).fields["text"]
    assert "What was read, and from what" in broken.text
    kept = send(client, broken, "/draft/keep", text=seen.fields["text"])
    assert kept.status_code == 303
    case = load(folder / f"{kept.headers['location'].rpartition('/')[2]}.md").case
    assert case is not None and "runs only on choke" in case.symptoms
    assert read(client, "?!").status_code == 400


@pytest.mark.usefixtures("fixed")
def test_unsure_entries_are_settled_one_by_one(client: TestClient, folder: Path) -> None:
    before = {path.name: path.read_bytes() for path in folder.glob("*.md")}
    page = read(client, UNSURE)
    left = marks(page, "right")
    assert left and f"{len(left)} to settle" in Seen(page.text).text
    for number in range(len(left), 0, -1):
        last = page
        page = send(client, page, "/draft/settle", settle=marks(page, "right")[0])
        assert page.status_code == 200
        assert ("All settled" if number == 1 else f"{number - 1} to settle") in Seen(page.text).text
    assert "unsure" not in Seen(page.text).fields["text"] and Seen(page.text).fields["notes"] == UNSURE
    gone = send(client, page, "/draft/settle", settle=marks(last, "right")[0])
    assert gone.status_code in (400, 409) and "no longer stands" in Seen(gone.text).text
    assert {path.name: path.read_bytes() for path in folder.glob("*.md")} == before


@pytest.mark.usefixtures("fixed")
def test_an_unsure_entry_is_left_out(client: TestClient) -> None:
    page = read(client, UNSURE)
    text = Seen(page.text).fields["text"]
    after = send(client, page, "/draft/settle", settle=marks(page, "out")[0])
    left = Seen(after.text).fields["text"]
    assert after.status_code == 200
    assert "symptoms: [runs only on choke, throttle sticks]" in text and "symptoms: [runs only on choke]" in left
    assert text.count("# unsure") == 3 and left.count("# unsure") == 2


@pytest.mark.usefixtures("fixed")
def test_settling_writes_nothing_and_yet_asks_whose_form_it_is(client: TestClient) -> None:
    page = read(client, UNSURE)
    forged = send(client, page, "/draft/settle", settle=marks(page, "right")[0], proof="0" * 64)
    assert forged.status_code == 403 and "to settle" not in forged.text
    assert Seen(forged.text).fields["notes"] == UNSURE
    again = send(client, forged, "/draft/settle")
    assert again.status_code == 200 and len(marks(again, "right")) == len(marks(page, "right")) - 1


# The list of all that was read

@pytest.mark.parametrize("story", ["01-trimmer-choke", "02-mower-surging", "03-saw-dies-hot"])
def test_every_doubt_of_the_list_is_one_to_settle(client: TestClient, story: str) -> None:
    """With the reader as it is: the list and the text of the case must speak of the same doubts."""
    page = read(client, (DATA / "stories" / f"{story}.txt").read_text(encoding="utf-8"))
    assert set(states(page)) <= {"unsure"} and len(states(page)) == len(marks(page, "right"))
    while right := marks(page, "right"):
        page = send(client, page, "/draft/settle", settle=right[0])
    assert set(states(page)) <= {"settled"}


@pytest.mark.usefixtures("fixed")
def test_what_was_read_stays_and_tells_what_became_of_its_doubts(client: TestClient) -> None:
    page = read(client, UNSURE)
    sentences = re.findall(r"“([^”]*)”", page.text.partition('id="read"')[2].partition("</section>")[0])
    count = len(states(page))
    page = send(client, page, "/draft/settle", settle=marks(page, "out")[0])
    assert states(page).count("left out") == 1 and states(page).count("unsure") == count - 1
    assert len(re.findall("<s>", page.text)) == 1
    page = send(client, page, "/draft/settle", settle=marks(page, "right")[0])
    assert sorted(states(page)) == sorted(["left out", "settled", *["unsure"] * (count - 2)])
    assert re.findall(r"“([^”]*)”", page.text.partition('id="read"')[2].partition("</section>")[0]) == sentences


# Nothing typed is lost

@pytest.mark.usefixtures("fixed")
def test_notes_that_were_changed_and_not_read_go_along(client: TestClient) -> None:
    page = read(client, UNSURE)
    assert CHANGED not in page.text
    longer = f"{UNSURE} {MORE}"
    page = send(client, page, "/draft/settle", settle=marks(page, "right")[0], notes=longer)
    seen = Seen(page.text)
    assert CHANGED in seen.text and seen.fields["notes"] == longer and seen.fields["read"] == UNSURE
    assert "greased" not in seen.fields["text"]
    page = send(client, page, "/draft")
    assert CHANGED not in page.text and "greased" in Seen(page.text).fields["text"]


@pytest.mark.usefixtures("fixed")
def test_a_case_is_not_kept_over_notes_that_were_not_read(client: TestClient, folder: Path) -> None:
    before = len(list(folder.glob("*.md")))
    page = read(client, UNSURE)
    page = send(client, page, "/draft/keep", notes=f"{UNSURE} {MORE}")
    assert page.status_code == 409 and CHANGED in page.text and "greased" in Seen(page.text).fields["notes"]
    assert len(list(folder.glob("*.md"))) == before
    assert send(client, page, "/draft/keep", anyway="yes").status_code == 303
    assert len(list(folder.glob("*.md"))) == before + 1


@pytest.mark.usefixtures("fixed")
def test_a_text_changed_by_hand_is_shown_beside_a_new_reading(client: TestClient) -> None:
    page = read(client, UNSURE)
    assert "before" not in Seen(read(client, UNSURE).text).fields
    untouched = send(client, page, "/draft", notes=f"{UNSURE} {MORE}")
    assert "before" not in Seen(untouched.text).fields, "a text nobody touched is not kept"
    mine = Seen(page.text).fields["text"].replace("title: ", "title: My own words, ")
    page = send(client, page, "/draft", text=mine, notes=f"{UNSURE} {MORE}")
    assert "My own words" in Seen(page.text).fields["before"] and "My own words" not in Seen(page.text).fields["text"]
    page = send(client, page, "/draft/settle", settle=marks(page, "right")[0])
    assert "My own words" in Seen(page.text).fields["before"]
    second = Seen(page.text).fields["text"].replace("title: ", "title: More words, ")
    page = send(client, page, "/draft", text=second)
    assert all(words in Seen(page.text).fields["before"] for words in ("My own words", "More words"))
    page = send(client, page, "/draft", notes="?!")
    assert page.status_code == 400 and "More words" in Seen(page.text).fields["before"] and Seen(page.text).fields["read"]


def test_a_form_without_notes_or_text_is_a_page(client: TestClient) -> None:
    page = client.get("/draft")
    assert send(client, page, "/draft/settle", settle="right:x").status_code == 400
    assert send(client, page, "/draft/keep").status_code == 400
    assert send(client, page, "/draft/settle", text="no front matter", settle="out:x.y").status_code == 400
    assert not Typed("a", "b").changed and Typed("a", "b", "text").changed
