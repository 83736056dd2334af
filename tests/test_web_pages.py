"""Every page: what it shows, that a person's words stay words, that a mistake is a page, and that nothing private is seen."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from urllib.parse import quote

import pytest
from commands import DEMO, copy_of_demo
from hostile import ATTRIBUTE_NAMES, STRINGS, TAGS
from small_folders import fix, write_cases
from starlette.testclient import TestClient
from web_site import Seen, visitor

from casebase.web.access import TABLE
from casebase.web.site import address, environment, sentence, shown

OPEN_JOB = "26-022-snow-thrower-early-bird"
SECRET = "Zyxwvut Qponmlk"
PAGES = {
    "/": "/", "/case/{reference}": f"/case/{OPEN_JOB}", "/cases": "/cases?q=bulb", "/problems": "/problems", "/overview": "/overview",
    "/next": "/next?q=will not start, spark plug wet", "/weigh": "/weigh?q=runs only on choke", "/answer": "/answer?q=dies when warm",
    "/sheet/{reference}": f"/sheet/{OPEN_JOB}", "/open": "/open", "/job": "/job", "/job/{reference}": f"/job/{OPEN_JOB}",
    "/job/{reference}/finish": f"/job/{OPEN_JOB}/finish", "/draft": "/draft", "/followups": "/followups",
}


pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture(scope="module")
def demo() -> TestClient:
    return visitor(DEMO)


def look(client: TestClient, path: str, status: int = 200) -> Seen:
    answer = client.get(path)
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert len(answer.content) < 100_000
    return Seen(answer.text)


def test_ask_begins_with_one_box(demo):
    seen = look(demo, "/")
    assert "72 cases answer" in seen.text
    assert seen.fields == {"q": ""}
    assert f"/job/{OPEN_JOB}" in seen.links()


def test_ask_shows_what_was_understood_and_what_helped(demo):
    seen = look(demo, "/?q=runs only on choke, leaks at bulb")
    assert seen.fields["q"] == "runs only on choke, leaks at bulb"
    for words in ("Read as", "Check next", "What helped against “runs only on choke”", "Jobs like this one", "Take care", "fit carburettor kit",
                  "cured 3 of 4", "The same trouble: runs only on choke"):
        assert words in seen.text, words
    assert next(a["aria-label"] for a in seen.all("svg")).startswith("cures somewhere between ")
    assert any(link.startswith("/case/24-009") for link in seen.links())
    assert not seen.all("style") and not any("style" in attributes for _tag, attributes in seen.elements)


def test_a_chip_takes_its_term_away_and_puts_it_back(demo):
    seen = look(demo, "/?q=runs only on choke, leaks at bulb")
    away = next(a["href"] for a in seen.all("a") if a.get("aria-label") == "take away: runs only on choke")
    without = look(demo, away)
    assert "What helped against “runs only on choke”" not in without.text
    assert "What helped against “primer bulb cracked or leaking”" in without.text
    assert "Put back: runs only on choke" in without.text
    back = next(link for link in without.links() if "not=" not in link and link.startswith("/?q="))
    assert "What helped against “runs only on choke”" in look(demo, back).text


def test_the_machine_is_read_and_can_be_taken_away(demo):
    seen = look(demo, "/?q=two-stroke chainsaw with diaphragm carb, 45 cc, 6 years old, surges, plug is new 6 thou gap")
    for words in ("machine: chainsaw", "machine: two-stroke", "diaphragm carburettor", "machine: 45 cc", "machine: 6 years old"):
        assert words in seen.text, words
    for name in ("45 cc", "6 years old", "chainsaw"):
        away = next(a["href"] for a in seen.all("a") if a.get("aria-label") == f"take away: {name}")
        assert f"machine: {name}" not in look(demo, away).text


def test_handbook_is_marked_as_general(tmp_path):
    client = visitor(write_cases(tmp_path / "new", {}))
    assert "This folder has no cases yet" in look(client, "/").text
    seen = look(client, "/?q=will not start, no spark")
    assert "General tables, not this shop's own jobs" in seen.text
    assert "Nothing like it" in look(client, "/?q=xyzzy plugh").text
    for path in ("/cases", "/overview", "/problems", "/next", "/weigh?q=no spark", "/answer?q=no spark", "/cases?q=word"):
        look(client, path)
    assert "Nothing is wrong" in look(client, "/problems").text


@pytest.mark.parametrize("path", ["/?q=", "/?q=++", "/next?q=", "/cases?q=", "/answer?q=", "/weigh?q="])
def test_an_empty_question_is_no_mistake(demo, path):
    look(demo, path)


@pytest.mark.parametrize("page", ["/?q=", "/next?q=", "/cases?q=", "/answer?q=", "/weigh?fix=replace+fuel+line&q="])
@pytest.mark.parametrize("words", ["???", "\"", "((((((", "---", "☃"])
def test_an_absurd_question_is_a_page_that_keeps_it(demo, page, words):
    seen = look(demo, page + quote(words), 400)
    assert seen.fields["q"] == words
    assert "There are no words in this" in seen.text


@pytest.mark.parametrize("words", ["*", "a-b", "NEAR(bulb", "bulb AND", "NOT", "bulb OR OR", "title:", "body:\"x", "(bulb", "(" * 5_000 + "bulb", "bulb~2", "[a TO z]"])
def test_plain_words_always_look_something_up(demo, words):
    answer = demo.get("/cases", params={"q": words})
    assert answer.status_code in (200, 400, 413)
    assert Seen(answer.text).fields["q"] == words.strip()


def test_a_very_long_question_is_refused_and_kept(demo):
    seen = look(demo, "/cases?q=" + "bulb+" * 200, 413)
    assert "500 are allowed" in seen.text and seen.fields["q"].startswith("bulb bulb")


def test_case_page_tells_the_whole_story(demo):
    seen = look(demo, "/case/26-015-blower-no-spark-magnets")
    for words in ("26-015", "not fixed", "dead, not even a cough", "Tried before", "as found 0.016 in (0.41 mm)", "as left 0.010 in (0.25 mm)",
                  "no spark: no change", "not in order", "flywheel magnets weak", "Magnets first next time", "It resembles", "used part"):
        assert words in seen.text, words
    assert "/case/26-015-blower-no-spark-magnets" not in [link for link in seen.links() if link.startswith("/case/")]


@pytest.mark.parametrize(("reference", "to"), [("26-015", "/case/26-015-blower-no-spark-magnets"), ("no-spark-magnets", "/case/26-015-blower-no-spark-magnets")])
def test_a_number_or_a_part_leads_to_the_case(demo, reference, to):
    answer = demo.get(f"/case/{reference}")
    assert (answer.status_code, answer.headers["location"]) == (303, to)


@pytest.mark.parametrize("reference", ["26-999", "26-o15-blower", "nothing", "..%2f..%2fx", "%2e%2e%2fpasswd", "%252e", "a%5C..%5Cb", "-rf", ".git", "x" * 300, "con"])
@pytest.mark.parametrize("page", ["/case/", "/sheet/"])
def test_a_wrong_id_is_a_page_with_the_nearest(demo, page, reference):
    answer = demo.get(page + reference)
    assert answer.status_code == 404
    if reference == "26-o15-blower":
        assert "/case/26-015-blower-no-spark-magnets" in Seen(answer.text).links()


def test_an_ambiguous_id_names_those_it_fits(demo):
    seen = look(demo, "/case/blower", 404)
    assert "fits more than one case" in seen.text
    assert sum(link.startswith("/case/") for link in seen.links()) == 5


def test_cases_come_newest_first_and_in_leaves(tmp_path):
    write_cases(tmp_path, {f"25-{n:03}-job": {"date": f"2025-{1 + n % 12:02}-05", "title": f"Job {n}"} for n in range(1, 71)})
    client = visitor(tmp_path)
    first, second = look(client, "/cases"), look(client, "/cases?page=2")
    assert "Page 1 of 2" in first.text and "Page 2 of 2" in second.text
    assert "2025-12-05" in first.text and "2025-01-05" in second.text
    for odd in ("0", "99", "-1", "x", "١", "9" * 50):
        look(client, f"/cases?page={odd}")


def test_lookup_suggests_a_spelling(demo):
    seen = look(demo, "/cases?q=magnetos+flywheell")
    assert "Did you mean" in seen.text or "0 cases" in seen.text


def test_problems_name_place_and_remedy(tmp_path):
    place = copy_of_demo(tmp_path, 3)
    (place / "26-500-broken.md").write_text("---\ntitle: x\ndate: 2026-01-05\nmachine: {kind: chainsaw}\ncomplaint: x\noutcom: fixed\n---\n")
    seen = look(visitor(place), "/problems")
    for words in ("1 file cannot be used", "26-500-broken.md", "line 6", "outcom", 'did you mean "outcome"'):
        assert words in seen.text, words


def test_a_broken_file_is_a_page_with_its_place(tmp_path):
    place = copy_of_demo(tmp_path, 1)
    (place / "26-500-broken.md").write_text("---\ntitle: x\ndate: 2026-13-05\nmachine: {kind: chainsaw}\ncomplaint: x\n---\n")
    seen = look(visitor(place), "/case/26-500-broken", 400)
    assert "line 3" in seen.text


def test_overview_counts(demo):
    seen = look(demo, "/overview")
    for words in ("72 cases", "fixed 50", "walk-behind mower 13", "2026 21", "6 came back", "26-022"):
        assert words in seen.text, words


def test_next_goes_on_answer_by_answer(demo):
    seen = look(demo, "/next?q=will not start, spark plug wet")
    answers = [link for link in seen.links() if "a=bad%3A" in link]
    assert answers and "Likely causes" in seen.text
    after = look(demo, answers[0])
    assert any("take back" in a.get("aria-label", "") for a in after.all("a"))
    assert after.text != seen.text
    passed = look(demo, next(link for link in seen.links() if "s=" in link))
    assert "passed over" in passed.text
    owner = look(demo, next(link for link in seen.links() if "by=owner" in link))
    assert "Everything the bench can do" in owner.text


def test_next_says_when_a_fix_cured_it(demo):
    seen = look(demo, "/next?q=will not start&done=replace spark plug")
    assert "Prove it" in seen.text


def test_next_takes_a_job_and_warns_before_a_setting(demo):
    seen = look(demo, f"/next?job={OPEN_JOB}")
    assert "26-022" in seen.text
    path, words = "/next?q=surges at idle&a=ok:fuel filter", set()
    for _step in range(25):
        seen = look(demo, path)
        words.add("Before it is turned, note how it stands now" in seen.text)
        path = next((link for link in seen.links() if "s=" in link and "Pass" not in link), "")
        skips = [a["href"] for a in seen.all("a") if a.get("class") == "plain" and "s=" in a["href"]]
        if not skips:
            break
        path = skips[-1]
    assert True in words


@pytest.mark.parametrize("path", ["/next?q=no spark&a=perhaps:fuel line", "/next?q=no spark&by=wizard", "/next?q=no spark&a=bad"])
def test_next_refuses_what_is_no_answer(demo, path):
    answer = demo.get(path)
    assert answer.status_code == (200 if path.endswith("a=bad") else 400)


def test_next_with_a_wrong_job_is_not_found(demo):
    assert demo.get("/next?job=99-999").status_code == 404


def test_weigh_offers_fixes_and_takes_figures_by_hand(demo):
    seen = look(demo, "/weigh?q=runs only on choke")
    assert "In this order it costs least" in seen.text and "from the cases" in seen.text
    hand = look(demo, "/weigh?fix=replace fuel line&price=9.50&minutes=25&chance=60&fix=fit carburettor kit&price=&minutes=&chance=30&otherwise=120&new_price=200")
    for words in ("60 of 100, by hand", "stop at once", "Cost for each year of life", "another machine"):
        assert words in hand.text, words


@pytest.mark.parametrize("query", ["fix=replace fuel line&chance=x", "fix=replace fuel line&chance=200", "fix=nonsense&chance=50",
                                   "fix=replace fuel line&chance=50&otherwise=x", "fix=replace fuel line&chance=50&otherwise=nan",
                                   "fix=replace fuel line&chance=50&new_price=-1", "fix=replace fuel line&chance=50&new_price=1&new_life=0.0001&resale=inf",
                                   "fix=&chance=50", "fix=replace fuel line&fix=replace fuel line&chance=5&chance=5", "fix=replace fuel line&price=1e9999"])
def test_weigh_refuses_wrong_figures_and_keeps_them(demo, query):
    seen = look(demo, f"/weigh?{query}", 400)
    for name, value in (pair.split("=") for pair in query.split("&") if pair.split("=")[0] == "otherwise"):
        assert seen.fields[name] == value


def test_weigh_takes_no_more_lines_than_can_be_weighed(demo):
    query = "&".join(f"fix=fix {n}&chance=5" for n in range(12))
    assert "1 to 8" in look(demo, f"/weigh?{query}", 400).text


def test_answer_can_be_edited_and_copied(demo):
    seen = look(demo, "/answer?q=trimmer dies when warm, starts again when cold")
    assert "It sounds like" in seen.fields["reply"] and len(seen.fields["brief"]) < 500
    assert {a.get("data-copy") for a in seen.all("button")} >= {"reply", "brief"}


def secret_folder(tmp_path: Path) -> Path:
    """The demo with something private in every case."""
    place = tmp_path / "cases"
    shutil.copytree(DEMO, place)
    for file in place.glob("*.md"):
        text = file.read_text()
        if text.startswith("---\n") and "\nprivate:" not in text:
            file.write_text(text.replace("---\n", f'---\nprivate: {{owner: {SECRET}, phone: "0779553311"}}\n', 1))
    return place


def test_nothing_private_but_on_the_sheet(tmp_path):
    client = visitor(secret_folder(tmp_path))
    paths = [*PAGES.values(), "/?q=runs only on choke", "/?q=Zyxwvut Qponmlk", "/cases?q=Zyxwvut", "/cases?q=0779553311", "/next?job=26-022", "/case/26-022",
             f"/api/case/{OPEN_JOB}", "/api/find?q=runs only on choke", "/api/next?job=26-022", "/api/understand?q=surges", "/case/99-999"]
    for path in paths:
        answer = client.get(path)
        told = SECRET in answer.text.replace("q=Zyxwvut", "").replace(">Zyxwvut Qponmlk</textarea>", "") and "Zyxwvut" not in path
        assert told == path.startswith("/sheet/"), path
        assert ("0779553311" in answer.text) == (path.startswith("/sheet/") or path.endswith("0779553311")), path
    assert client.get(f"/sheet/{OPEN_JOB}").headers["cache-control"] == "no-store"


def test_sheet_is_made_for_printing(demo):
    seen = look(demo, f"/sheet/{OPEN_JOB}")
    assert "What you told us" in seen.text
    css = demo.get(next(a["href"] for a in seen.all("link") if a["rel"] == "stylesheet"))
    assert "@media print" in css.text and "max-age" in css.headers["cache-control"]


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> TestClient:
    """A case for each string, which stands in every field."""
    cases = {}
    for number, words in enumerate(STRINGS, 100):
        line = " ".join(words.split())
        cases[f"25-{number}-hostile"] = {
            "title": line, "machine": {"kind": line, "engine": line, "carburettor": line, "tag": line, "make": line, "model": line},
            "complaint": f"{line} surges", "symptoms": [line], "absent": [line + "!"],
            "history": {"stored": line, "fuel": line, "use": line, "tried before": [line], "note": line},
            "steps": [{"check": line, "found": line, "verdict": "bad", "note": line}, {"set": line, "from": line, "to": line, "for": [line], "result": "no change"},
                      fix(line, on=[line], note=line, parts=1)],
            "causes": [{"fault": line, "explains": [line]}], "proof": [line], "advice": [line], "body": f"\n{words}\n\n{words}", "private": {line[:40]: line},
        }
    return visitor(write_cases(tmp_path_factory.mktemp("hostile"), cases))


def harmless(page: str) -> Seen:
    """Takes a page apart and sees that it holds nothing but what our templates are made of."""
    seen = Seen(page)
    for tag, attributes in seen.elements:
        assert tag in TAGS, tag
        for name, value in attributes.items():
            assert name in ATTRIBUTE_NAMES or re.fullmatch(r"data-(slash|enter|live|slide|copy|print)", name), (tag, name)
            if name in ("href", "src", "action"):
                assert re.match(r"[/#](?!/)|https?://", value), (tag, value)
                assert value[0] in "/#" or tag == "a"
    assert [a["src"].split("?")[0] for a in seen.all("script")] == ["/static/casebase.js"]
    assert all(a["href"].startswith("/static/") for a in seen.all("link"))
    return seen


def plain(text: str) -> str:
    return " ".join(shown(text).split())


@pytest.mark.parametrize("page", ["/case/{id}", "/sheet/{id}", "/next?job={id}", "/?q={words}", "/cases?q={words}", "/next?q={words}",
                                  "/answer?q={words}", "/weigh?q=surges&fix={words}&price={words}&otherwise={words}", "/case/{words}", "/{words}",
                                  "/next?q=surges&a=bad:{words}&f={words}&s={words}&done={words}", "/?q=surges&not={words}", "/static/{words}"])
def test_words_stay_words_on_every_page(hostile, page):
    for number, words in enumerate(STRINGS, 100):
        answer = hostile.get(page.format(id=f"25-{number}-hostile", words=quote(words, safe="")))
        assert answer.status_code < 500, (page, words)
        assert "evil.example" not in str(answer.headers) and "x=y" not in answer.headers.get("set-cookie", "")
        if answer.headers.get("content-type", "").startswith("text/html"):
            seen = harmless(answer.text)
            assert "49" not in seen.text or "7*7" not in words, words
            if page == "/case/{id}":
                assert plain(" ".join(words.split()))[:40] in seen.text, words


def test_lists_of_hostile_cases(hostile):
    for path in ("/cases", "/problems", "/overview", "/?q=surges", "/", "/next", "/cases?q=alert"):
        harmless(hostile.get(path).text)


def test_the_safe_filter_stands_once():
    loader = environment().loader
    assert loader is not None
    sources = [loader.get_source(environment(), name)[0] for name in loader.list_templates()]
    assert sum(source.count("|safe") for source in sources) == 1
    assert not any(re.search(r"\sstyle=|\son\w+=|<style|<script>", source) for source in sources)


def test_every_page_of_the_table_is_looked_at_here():
    assert {row.path for row in TABLE if row.method == "GET" and not row.path.startswith(("/api/", "/static/", "/enter", "/photo/"))} <= PAGES.keys()


@pytest.mark.parametrize("path", PAGES.values())
def test_pages_have_landmarks_and_names(demo, path):
    seen = look(demo, path)
    assert len(seen.all("main")) == len(seen.all("h1")) == 1
    assert seen.links()[0] == "#main"
    labels = {a["for"] for a in seen.all("label")}
    named = [a for tag in ("input", "textarea", "select") for a in seen.all(tag) if a.get("type") != "hidden"]
    assert all(a["id"] in labels for a in named)
    ids = [attributes["id"] for _tag, attributes in seen.elements if "id" in attributes]
    assert len(ids) == len(set(ids))


def test_addresses_and_sentences():
    assert address("/next", q="a&b", a=["x", ""], s=None) == "/next?q=a%26b&a=x"
    assert address("/", q="") == "/"
    assert (sentence("there is none"), sentence("why?"), sentence("")) == ("There is none.", "Why?", "")
    assert shown("a\x1b[2Jb\u202e") == "a\\x1b[2Jb\\u202e" and shown(3) == 3


def test_a_fault_in_the_second_part_of_a_page_is_said(demo, monkeypatch, capsys):
    monkeypatch.setattr("casebase.web.pages.ask.answered", lambda base, question: {}["nothing"])
    seen = look(demo, "/?q=surges")
    assert "A fault of this program" in seen.text and seen.fields["q"] == "surges"
    assert "KeyError" in capsys.readouterr().err
