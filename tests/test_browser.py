"""The pages in a real browser: for everybody, by day and by night, on phone and desk, without a script, and with hostile words."""

from __future__ import annotations

import re
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from commands import DEMO, ROOT, environment
from hostile import STRINGS
from small_folders import write_cases

CHROMIUM = Path("/usr/bin/chromium")
if not CHROMIUM.exists():
    pytest.skip("there is no Chromium here; get it with: apt-get install --no-install-recommends chromium", allow_module_level=True)
playwright_api = pytest.importorskip("playwright.sync_api", reason="pip install playwright axe-playwright-python")
axe_api = pytest.importorskip("axe_playwright_python.sync_playwright", reason="pip install axe-playwright-python")

FLAGS = ("--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking --disable-component-update "
         "--disable-sync").split()
SIZES = {"phone": {"width": 390, "height": 844}, "desk": {"width": 1280, "height": 900}}
WORDS = "string trimmer runs only on choke, leaks at bulb, no fuel leak, new plug no change"
PAGES = [
    "/", f"/?q={WORDS}", "/?q=xyzzy", "/case/26-015-blower-no-spark-magnets", "/cases", "/cases?q=bulb AND leak", "/problems", "/overview", "/next",
    "/next?q=will not start, spark plug wet", "/next?job=26-022&a=ok:fuel filter", "/next?q=surges&done=replace spark plug", "/weigh",
    "/weigh?q=runs only on choke&fix=fit carburettor kit&chance=60&fix=replace fuel line&otherwise=120&new_price=180",
    "/answer?q=dies when warm", "/sheet/26-015",
    "/open", "/job", "/job/26-022", "/job/26-022?line=fitted new fuel line, cured", "/job/26-022/finish", "/draft", "/followups",
]
WRONG = ["/?q=%3F%3F", "/case/26-999", "/weigh?fix=nonsense&chance=5", "/nowhere", "/next?q=x&by=y"]


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """The pages of a folder from a process of its own; gives their address."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    process = subprocess.Popen([sys.executable, "-m", "casebase", "serve", "--port", str(port), "--cases", str(folder)], cwd=ROOT,
                               env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    home = f"http://127.0.0.1:{port}"
    try:
        for _try in range(600):
            try:
                with urllib.request.urlopen(f"{home}/static/mark.svg", timeout=5):
                    break
            except OSError:
                time.sleep(0.1)
        yield home
    finally:
        process.terminate()
        process.wait(30)


@pytest.fixture(scope="module")
def home() -> Iterator[str]:
    with served(DEMO) as address:
        yield address


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright_api.sync_playwright() as engine:
        found = engine.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield found
        found.close()


class Watched:
    """A page of a browser, with all that it complains of and all that it asks others for."""

    def __init__(self, browser: Any, home: str, size: str = "phone", scheme: str = "light", script: bool = True) -> None:
        self.home = home
        self.context = browser.new_context(viewport=SIZES[size], color_scheme=scheme, java_script_enabled=script, base_url=home,
                                           permissions=["clipboard-read", "clipboard-write"])
        self.page = self.context.new_page()
        self.complaints: list[str] = []
        self.page.on("console", lambda said: self.complaints.append(said.text) if said.type in ("error", "warning") else None)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("dialog", lambda dialog: (self.complaints.append(f"dialog {dialog.message}"), dialog.dismiss()))
        self.page.on("request", lambda request: None if request.url.startswith(home) else self.complaints.append(request.url))

    def go(self, path: str) -> Any:
        return self.page.goto(self.home + path.replace(" ", "%20"))

    def close(self) -> None:
        self.context.close()
        assert self.complaints == []


@pytest.fixture
def phone(browser: Any, home: str) -> Iterator[Watched]:
    watched = Watched(browser, home)
    yield watched
    watched.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_nothing_keeps_anybody_out(browser, home, size, scheme):
    """axe-core finds nothing, nothing is wider than the screen, and every page asks only us."""
    watched = Watched(browser, home, size, scheme)
    for path in PAGES:
        watched.go(path)
        found = axe_api.Axe().run(watched.page)
        assert found.violations_count == 0, f"{path}: {found.generate_report()}"
        assert watched.page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path
    watched.close()


@pytest.mark.parametrize("path", WRONG)
def test_pages_for_mistakes_keep_nobody_out_either(browser, home, path):
    watched = Watched(browser, home)
    assert watched.go(path).status in (400, 404)
    assert axe_api.Axe().run(watched.page).violations_count == 0
    # A browser says itself that an answer was an error; nothing else may be said.
    assert all(said.startswith("Failed to load resource") for said in watched.complaints)
    watched.context.close()


def test_everything_can_be_hit_with_a_thumb(phone):
    small = """[...document.querySelectorAll("a, button, input, textarea, select, summary")].filter((one) => {
      const box = one.getBoundingClientRect();
      return box.width && !one.closest(".story, .skip") && (box.height < 43.5 || box.width < 43.5);
    }).map((one) => one.outerHTML)"""
    for path in PAGES:
        phone.go(path)
        assert phone.page.evaluate(small) == [], path


@pytest.mark.parametrize("width", [320, 390])
def test_no_page_needs_scrolling_sideways(phone, width):
    phone.page.set_viewport_size({"width": width, "height": 700})
    for path in PAGES:
        phone.go(path)
        assert phone.page.evaluate("document.documentElement.scrollWidth") <= width, path


def test_all_of_it_without_a_script(browser, home):
    watched = Watched(browser, home, script=False)
    page = watched.page
    watched.go("/")
    page.get_by_label("What does it do, or not do?").fill("runs only on choke, leaks at bulb")
    page.get_by_role("button", name="Ask the record").click()
    page.get_by_role("heading", name="Jobs like this one").wait_for()  # a page may come in two parts
    page.get_by_role("link", name="take away: primer bulb").click()
    page.get_by_role("link", name="Put back: primer bulb").wait_for()  # a page may come in two parts
    page.get_by_role("link", name="Go check by check").click()
    page.get_by_role("list", name="What did you find?").get_by_role("link").first.click()
    page.get_by_role("link", name="take back").wait_for()  # a page may come in two parts
    page.get_by_role("link", name="Pass over it").click()
    watched.go("/weigh?q=runs only on choke")
    page.get_by_label("Cures, of 100").first.fill("80")
    page.get_by_label("It then costs").fill("150")
    page.get_by_role("button", name="Weigh").click()
    page.get_by_text("80 of 100, by hand").wait_for()  # a page may come in two parts
    watched.go("/answer")
    page.get_by_label("Their question").fill("dies when warm")
    page.get_by_role("button", name="Write a reply").click()
    assert "It sounds like" in page.get_by_label("The reply").input_value()
    assert page.get_by_role("button", name="Copy").count() == 0
    watched.go("/cases")
    page.get_by_label("These very words").fill("bulb AND leak")
    page.get_by_role("button", name="Look up").click()
    page.get_by_role("link", name=re.compile("24-0")).first.click()
    page.get_by_role("link", name="Hand-over sheet").click()
    page.get_by_role("heading", name="What you told us").wait_for()  # a page may come in two parts
    watched.close()


def test_by_keyboard_alone(phone):
    page = phone.page
    phone.go("/cases")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    phone.go("/")
    page.keyboard.press("/")
    assert page.evaluate("document.activeElement.id") == "q"
    page.keyboard.type("no spark/new plug")
    page.keyboard.press("Enter")
    page.wait_for_url("**/?q=no+spark%2Fnew+plug")
    for _key in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent").strip() == "Go check by check":
            break
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    page.keyboard.press("Enter")
    page.wait_for_url("**/next?*")


def test_results_come_while_typing(phone):
    page = phone.page
    phone.go("/")
    page.get_by_label("What does it do, or not do?").press_sequentially("surges after the winter", delay=5)
    page.get_by_role("heading", name="What helped against “surges”").wait_for(timeout=10_000)
    assert page.evaluate("document.activeElement.id") == "q"
    page.get_by_label("What does it do, or not do?").fill("??")
    page.wait_for_timeout(700)


def test_sliders_move_the_picture(phone):
    page = phone.page
    phone.go("/weigh?q=runs only on choke&fix=fit carburettor kit&chance=60&otherwise=120")
    before = page.locator("#sum").inner_text()
    page.get_by_role("slider", name="Cures, of 100, slider").first.fill("20")
    assert page.get_by_label("Cures, of 100", exact=True).first.input_value() == "20"
    page.wait_for_function("before => document.getElementById('sum').innerText !== before", arg=before)
    assert "20 of 100, by hand" in page.locator("#outcome").inner_text()


def test_a_reply_is_copied(phone):
    page = phone.page
    phone.go("/answer?q=dies when warm")
    page.get_by_label("The reply").fill("my own words")
    page.get_by_role("button", name="Copy the reply").click()
    page.get_by_role("button", name="Copied").wait_for()
    assert page.evaluate("navigator.clipboard.readText()") == "my own words"


@pytest.mark.parametrize("path", ["/sheet/26-015", "/case/26-015-blower-no-spark-magnets"])
def test_paper_shows_the_record_alone(phone, path):
    phone.go(path)
    phone.page.emulate_media(media="print")
    assert not phone.page.locator(".ways, .thumb, .acts").filter(visible=True).count()
    assert phone.page.locator("h1").is_visible()
    assert phone.page.evaluate("getComputedStyle(document.documentElement).color") == "rgb(0, 0, 0)"


def test_hostile_words_run_nothing_and_fetch_nothing(browser, tmp_path):
    cases = {f"25-{number}-hostile": {"title": " ".join(words.split()), "complaint": " ".join(words.split()), "symptoms": [" ".join(words.split())],
                                      "body": f"\n{words}\n"} for number, words in enumerate(STRINGS, 100)}
    folder = write_cases(tmp_path / "hostile", cases)
    for file in sorted(DEMO.glob("*.md"))[:3]:
        shutil.copy(file, folder)
    with served(folder) as home:
        watched = Watched(browser, home)
        for number, words in enumerate(STRINGS, 100):
            asked = quote(words, safe="")
            paths = (f"/case/25-{number}-hostile", f"/?q={asked}", f"/next?q=surges&done={asked}", f"/cases?q={asked}")
            for path in paths[:1] + paths[1 + number % 3: 2 + number % 3]:
                watched.page.goto(home + path, wait_until="domcontentloaded")
        refused = [said for said in watched.complaints if not said.startswith("Failed to load resource: the server responded with a status of 4")]
        assert refused == []
        watched.context.close()


@pytest.mark.parametrize(("size", "script"), [("phone", True), ("desk", True), ("phone", False)])
def test_the_whole_job_from_complaint_to_hand_over(browser, tmp_path, size, script):
    folder = tmp_path / "cases"
    shutil.copytree(DEMO, folder)
    with served(folder) as home:
        watched = Watched(browser, home, size, script=script)
        page = watched.page
        watched.go("/open")
        page.get_by_label("What does the owner say?").fill("surges at full throttle, leaks fuel at the carburettor")
        page.get_by_label("The machine, as far as known").fill("walk-behind mower, four-stroke")
        page.get_by_role("button", name="Open the job").click()
        page.get_by_text("Trouble: surges, fuel leak").wait_for()
        page.get_by_role("button", name="In order", exact=True).first.click()
        page.get_by_text("Step 1 is written.").wait_for()
        page.get_by_label("One step, as you would say it").fill("cleaned the carb, cured, 40 min")
        page.get_by_role("button", name="Read it back").click()
        page.get_by_text("but not of which symptom").wait_for()
        for shown in (page.get_by_text("but not of which symptom"), page.get_by_role("button", name="Surges")):
            box = shown.bounding_box()
            assert box["y"] >= 0 and box["y"] + box["height"] < SIZES[size]["height"] - 60, "what was read back is in sight"
        page.get_by_role("button", name="Surges").click()
        page.get_by_text("Step 2 is written.").wait_for()
        page.get_by_role("link", name="Finish the job").click()
        page.get_by_label("How did it end?").select_option("partly fixed")
        for safety in page.locator("select[name^=safety]").all():
            safety.select_option("ok")
        page.get_by_role("button", name="Close the job").click()
        page.get_by_role("link", name="Hand-over sheet").click()
        page.get_by_role("heading", name="What was done").wait_for()
        watched.close()
    assert len(list(folder.glob("*.md"))) == len(list(DEMO.glob("*.md"))) + 1


@pytest.mark.parametrize("script", [True, False])
def test_what_is_unsure_in_notes_is_settled_by_thumb(browser, home, script):
    watched = Watched(browser, home, script=script)
    page = watched.page
    watched.go("/draft")
    page.get_by_label("Tell the job as it went").fill(
        "String trimmer, two-stroke. It runs only with the choke on and the throttle sticks. I fitted a new fuel line. That did it. "
        "I cleaned the air filter too. Purrs along nicely from then on. Put a squirt of oil in the cylinder and it didn't go up.")
    page.get_by_role("button", name="Read the notes").click()
    left = int(page.locator("#unsure").inner_text().split()[0])
    assert left > 1
    for number in range(left, 0, -1):
        if script:
            assert axe_api.Axe().run(page).violations_count == 0
        sizes = [button.bounding_box() for button in page.locator(".settle button").all()]
        assert all(box["height"] >= 44 and box["width"] >= 44 for box in sizes)
        page.get_by_role("button", name="Leave it out" if number % 2 else "That is right").first.click()
        page.get_by_role("heading", name=f"{number - 1} to settle" if number > 1 else "All settled", exact=True).wait_for()
        top = page.locator("#unsure").bounding_box()["y"]
        assert page.url.endswith("/draft/settle#unsure") and -1 < top < SIZES["phone"]["height"]
    assert "# unsure" not in page.get_by_label("The case as it would be kept").input_value()
    watched.close()


def test_notes_changed_in_the_folded_box_go_along_with_a_tap(phone):
    page = phone.page
    phone.go("/draft")
    box = page.get_by_label("Tell the job as it went")
    box.press_sequentially("String trimmer. It runs only with the choke on and the throttle sticks.")
    box.press("Enter")
    box.press_sequentially("I fitted a new fuel line. That did it.")
    assert "sticks.\nI fitted" in box.input_value(), "Enter stays a new line"
    page.get_by_role("button", name="Read the notes").click()
    page.get_by_role("link", name="to settle").click()
    assert page.locator("#unsure").bounding_box()["y"] < 100
    fold = page.get_by_text("The notes, to change and read again")
    fold.click()
    box.press("Control+End")
    box.press_sequentially(" Greased the gear head too.")
    fold.click()
    assert not box.is_visible()
    page.get_by_role("button", name="That is right").first.click()
    page.get_by_text("changed since they were read").wait_for()
    assert page.get_by_text("changed since they were read").bounding_box()["y"] < SIZES["phone"]["height"]
    assert box.input_value().endswith("Greased the gear head too.")
    page.get_by_role("button", name="Read the notes again").click()
    page.get_by_text("changed since they were read").wait_for(state="detached")
    assert "Greased the gear head" in page.get_by_label("The case as it would be kept").input_value()


@pytest.mark.parametrize("script", [True, False])
def test_a_form_of_an_earlier_run_keeps_its_words_and_goes_by_one_tap(browser, home, script):
    watched = Watched(browser, home, script=script)
    page = watched.page
    watched.go("/draft")
    page.get_by_label("Tell the job as it went").fill("String trimmer.\nIt runs only with the choke on.")
    page.locator("input[name=proof]").evaluate("field => { field.value = field.value.replace(/./g, '0') }")
    page.get_by_role("button", name="Read the notes").click()
    page.get_by_role("heading", name="Look it over and send it again").wait_for()
    assert page.get_by_label("notes").input_value() == "String trimmer.\nIt runs only with the choke on."
    if script:
        assert axe_api.Axe().run(page).violations_count == 0
    page.get_by_role("button", name="Send it again").click()
    page.get_by_role("heading", name="What was read, and from what").wait_for()
    # A browser says itself that an answer was an error; nothing else may be said.
    assert all(said.startswith("Failed to load resource") for said in watched.complaints)
    watched.context.close()


HELD = """() => {
  const one = document.activeElement;
  if (one === document.body) return null;
  const box = one.getClientRects()[0], look = getComputedStyle(one);
  const top = document.elementFromPoint(box.x + box.width / 2, box.y + Math.min(box.height, 40) / 2);
  return {name: (one.labels?.[0] ?? one).textContent.trim().replace(/\\s+/g, " "), tag: one.localName,
    outlined: look.outlineStyle !== "none" && parseFloat(look.outlineWidth) >= 2, uncovered: one.contains(top)};
}"""


class Keys:
    """Hands that have a keyboard only. After each step of the focus it must be seen where it is."""

    def __init__(self, page: Any) -> None:
        self.page, self.press, self.type = page, page.keyboard.press, page.keyboard.type
        page.emulate_media(reduced_motion="reduce")

    def to(self, name: str, tag: str = "", back: bool = False) -> None:
        """Steps on, or back, until something of this name has the focus."""
        met: list[str] = []
        while len(met) < 150:
            self.press("Shift+Tab" if back else "Tab")
            held = self.page.evaluate(HELD)
            if held is None:
                continue  # the browser's own bar
            met.append(held["name"])
            assert held["outlined"] and held["uncovered"], f"{self.page.url}: {held}"
            if held["name"].startswith(name) and held["tag"].startswith(tag):
                return
        raise AssertionError(f"{self.page.url}: no {name!r} among {met}")

    def type_in(self, name: str, words: str) -> None:
        self.to(name)
        self.type(words)

    def push(self, name: str, tag: str = "", key: str = "Enter") -> None:
        self.to(name, tag)
        self.press(key)

    def choose(self, name: str, value: str) -> None:
        """Goes to a choice and down it by the arrow until this is chosen."""
        self.to(name, "select")
        for _key in range(20):
            if self.page.evaluate("document.activeElement.selectedOptions[0].textContent") == value:
                return
            self.press("ArrowDown")
        raise AssertionError(f"{name}: {value!r} is not among the choices")


def test_the_whole_job_by_keyboard_alone(browser, tmp_path):
    folder = tmp_path / "cases"
    shutil.copytree(DEMO, folder)
    with served(folder) as home:
        watched = Watched(browser, home, "desk")
        page, keys = watched.page, Keys(watched.page)
        watched.go("/")
        keys.type_in("What does it do, or not do?", "surges at full throttle")
        keys.press("Enter")
        page.get_by_role("heading", name="Jobs like this one").wait_for()
        keys.push("Open a job")
        page.wait_for_url("**/open?*")
        keys.push("Skip to the content")
        keys.to("What does the owner say?")
        keys.press("End")
        keys.type(", leaks fuel at the carburettor")
        keys.type_in("The machine, as far as known", "walk-behind mower")
        keys.to("Your own tag")
        keys.to("The machine, as far as known", back=True)
        keys.press("End")
        keys.type(", four-stroke")
        keys.push("Open the job", "button", key="Space")
        page.get_by_text("Trouble: surges, fuel leak").wait_for()
        keys.push("Check", "summary")
        keys.type_in("What was looked at", "air filter")
        keys.press("Tab")
        keys.type("black with oil")
        keys.push("Not in order", key="Space")
        page.get_by_text("Step 1 is written.").wait_for()
        keys.push("Set", "summary", key="Space")
        keys.type_in("What was turned or set", "low-speed screw")
        keys.type_in("As found", "1 turn")
        keys.type_in("As left", "1 1/4 turns")
        keys.choose("For which symptom?", "surges")
        keys.choose("What came of it?", "better")
        keys.push("Write it down")
        page.get_by_text("Step 2 is written.").wait_for()
        keys.type_in("One step, as you would say it", "cleaned the carb, cured, 40 min")
        keys.push("Read it back")
        page.get_by_role("button", name="Surges").wait_for()
        keys.push("Surges", "button")
        page.get_by_text("Step 3 is written.").wait_for()
        keys.push("Finish the job")
        page.get_by_label("How did it end?").wait_for()
        keys.choose("How did it end?", "partly fixed")
        for safety in [label.strip() for label in page.locator("label[for^=safety]").all_inner_texts()]:
            keys.choose(safety, "ok")
        keys.push("Close the job")
        page.wait_for_url("**/case/*")
        keys.push("Hand-over sheet")
        page.get_by_role("heading", name="What was done").wait_for()
        watched.close()
    (written,) = {path.name for path in folder.glob("*.md")} - {path.name for path in DEMO.glob("*.md")}
    text = (folder / written).read_text(encoding="utf-8")
    assert "walk-behind mower" in text and "four-stroke" in text and "outcome: partly fixed" in text
    assert re.findall(r"- (check|set|do): ", text)[:3] == ["check", "set", "do"]  # checks for safety follow
