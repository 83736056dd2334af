"""The pages over a bad telephone connection: how much they weigh, and that asking and a tap at the bench work all the same.

The figures of the connection are the usual preset for "slow 3G" in browsers' developer tools, from memory: an answer
takes 400 ms to come back, 400 kbit a second each way. Nothing here is held to a time, since test machines differ; what
was measured is printed (pytest -s).
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from commands import DEMO
from test_browser import WORDS, Watched, browser, served

__all__ = ["browser"]

ROUND_TRIP = 400  # ms
RATE = 400_000 / 8  # bytes a second
MOST = 100_000
"""Bytes that a page may weigh without its photographs, all that comes with it included."""
PAGES = ["/", f"/?q={WORDS}", "/next", "/next?q=will not start, spark plug wet", "/open", "/job", "/job/26-022", "/job/26-022/finish", "/draft",
         "/cases", "/case/26-015-blower-no-spark-magnets", "/weigh?q=runs only on choke", "/answer?q=dies when warm", "/sheet/26-015", "/followups",
         "/overview", "/problems"]
TIMED = ["/job/26-022", "/overview"]


class Weighed(NamedTuple):
    size: int
    seconds: float


class Slow:
    """A phone on a slow connection that counts the bytes it gets, heads included."""

    def __init__(self, browser: Any, home: str) -> None:
        self.watched = Watched(browser, home)
        self.page = self.watched.page
        self.session = self.watched.context.new_cdp_session(self.page)
        self.session.send("Network.enable")
        self._connect(ROUND_TRIP, RATE)
        self.got = 0
        self.session.on("Network.loadingFinished", self._count)

    def _connect(self, round_trip: float, rate: float) -> None:
        self.session.send("Network.emulateNetworkConditions", {
            "offline": False, "latency": round_trip, "downloadThroughput": rate, "uploadThroughput": rate})

    def at_full_speed(self) -> None:
        """The connection as it is, for what is weighed and not timed."""
        self._connect(0, -1)

    def _count(self, event: dict[str, Any]) -> None:
        self.got += event["encodedDataLength"]

    def weigh(self, act: Any) -> Weighed:
        """The seconds until something is done, and the bytes until all that came with it is there too."""
        self.got, began = 0, time.monotonic()
        act()
        seconds = time.monotonic() - began
        self.page.wait_for_load_state("networkidle")
        return Weighed(int(self.got), seconds)

    def forget(self) -> None:
        """As somebody who comes for the first time: what browsers keep of earlier pages is gone."""
        self.session.send("Network.clearBrowserCache")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(DEMO, tmp_path / "cases"))


@pytest.fixture
def slow(browser: Any, folder: Path) -> Iterator[Slow]:
    with served(folder) as home:
        found = Slow(browser, home)
        yield found
        found.watched.close()


def test_every_page_is_light(slow: Slow) -> None:
    slow.at_full_speed()
    for path in PAGES:
        slow.forget()
        first = slow.weigh(lambda path=path: slow.watched.go(path))
        assert 1_000 < first.size < MOST, path
        after = slow.weigh(lambda path=path: slow.watched.go(path))
        assert after.size < first.size, f"{path}: its style and script are kept by the browser"
        assert slow.page.locator("h1").is_visible()
        print(f"{path:60.60} first {first.size / 1000:5.1f} KB, then {after.size / 1000:5.1f} KB")


@pytest.mark.parametrize("path", TIMED)
def test_a_page_comes_over_a_slow_connection(slow: Slow, path: str) -> None:
    first = slow.weigh(lambda: slow.watched.go(path))
    assert slow.page.locator("h1").is_visible()
    print(f"{path:60.60} {first.size / 1000:5.1f} KB {first.seconds:4.1f} s")


def test_asking_and_a_tap_at_the_bench_work(slow: Slow, folder: Path) -> None:
    page = slow.page
    slow.watched.go("/")
    page.get_by_label("What does it do, or not do?").fill("runs only on choke, leaks at bulb")

    def ask() -> None:
        page.get_by_role("button", name="Ask the record").click()
        page.get_by_role("heading", name="Jobs like this one").wait_for()

    asked = slow.weigh(ask)
    slow.weigh(lambda: slow.watched.go("/job/26-022"))
    job = folder / "26-022-snow-thrower-early-bird.md"
    before = job.read_text(encoding="utf-8")

    def tap() -> None:
        page.get_by_role("button", name="In order", exact=True).first.click()
        page.get_by_text("is written.").wait_for()

    tapped = slow.weigh(tap)
    assert job.read_text(encoding="utf-8").count("- check: ") == before.count("- check: ") + 1
    assert max(asked.size, tapped.size) < MOST
    print(f"\nask {asked.size / 1000:.1f} KB {asked.seconds:.1f} s, tap at the bench {tapped.size / 1000:.1f} KB {tapped.seconds:.1f} s")


def test_two_taps_where_the_answer_is_slow_write_one_step(slow: Slow, folder: Path) -> None:
    """Nobody sees for a second whether the tap was taken, so it is tapped again."""
    page = slow.page
    slow.weigh(lambda: slow.watched.go("/job/26-022"))
    job = folder / "26-022-snow-thrower-early-bird.md"
    before = job.read_text(encoding="utf-8").count("- check: ")
    button = page.get_by_role("button", name="In order", exact=True).first
    button.dblclick(no_wait_after=True)
    page.get_by_text("is written.").wait_for()
    assert job.read_text(encoding="utf-8").count("- check: ") == before + 1
