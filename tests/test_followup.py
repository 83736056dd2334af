"""Follow-ups: whom to ask and when, the reply in its file, the linked case, and how long fixes hold."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from commands import casebase
from helpers import EXAMPLE, text
from hypothesis import given
from hypothesis import strategies as st
from small_folders import fix, lexicon, write_cases

from casebase.problems import Refused
from casebase.record import edit
from casebase.record.case import FOLLOWUP_STATUSES, Case, Followup
from casebase.record.casefile import read
from casebase.record.folder import load, load_all
from casebase.retain import followup
from casebase.retain import job as job_files
from casebase.retain.followup import (
    MARKS,
    Durability,
    Fate,
    comebacks,
    cures,
    durability,
    haste,
    open_comeback,
    question_of,
    record,
    to_ask,
)

WORK = date(2024, 3, 1)
TODAY = date(2025, 12, 1)


def with_news(data: bytes, news: Followup) -> bytes:
    return edit.with_changes(data, edit.Changes(followups=(news,)))


LINE, BULB = "replace fuel line", "replace primer bulb"
TILT, LEAK = "dies when tilted", "primer bulb cracked or leaking"


pytestmark = pytest.mark.usefixtures("quick")


def job(*news: tuple[int, str], **more: Any) -> dict[str, Any]:
    """A job whose fuel line was replaced, with news by days after the work."""
    fields: dict[str, Any] = {
        "date": WORK.isoformat(), "status": "closed", "outcome": "fixed", "symptoms": [TILT],
        "complaint": "quits when I roll it over.", "steps": [fix(LINE, on=[TILT])], **more,
    }
    if news:
        fields["followups"] = [{"date": (WORK + timedelta(days)).isoformat(), "status": said} for days, said in news]
    return {key: value for key, value in fields.items() if value is not None}


def read_jobs(folder: Path, jobs: dict[str, dict[str, Any]]) -> list[Case]:
    cases, problems = load_all(write_cases(folder, jobs))
    assert not [problem for problem in problems if problem.severity == "error"]
    return cases


def after(days: int) -> date:
    return WORK + timedelta(days)


# Whom to ask.


@pytest.mark.parametrize(
    ("fields", "asked"),
    [
        ({}, True),
        ({"outcome": "partly fixed"}, True),
        ({"outcome": "not fixed"}, False),
        ({"outcome": "declined"}, False),
        ({"outcome": "no fault found"}, False),
        ({"status": "open"}, False),
    ],
)
def test_who_is_asked(tmp_path: Path, fields: dict[str, Any], asked: bool) -> None:
    cases = read_jobs(tmp_path, {"24-001-a": job(**fields)})
    assert bool(to_ask(cases, lexicon(), after(40))) == asked


@pytest.mark.parametrize(("said", "asked"), [("holding", False), ("came back", False), ("unknown", True)])
def test_news_ends_the_asking_and_unknown_is_no_news(tmp_path: Path, said: str, asked: bool) -> None:
    cases = read_jobs(tmp_path, {"24-001-a": job((31, said))})
    assert bool(to_ask(cases, lexicon(), after(100))) == asked
    assert to_ask(cases, lexicon(), after(30))  # that news is still to come


def test_a_job_known_to_have_come_back_is_not_asked_about(tmp_path: Path) -> None:
    later = job(**{"comeback of": "24-001-a", "date": after(50).isoformat(), "status": "open", "outcome": None})
    cases = read_jobs(tmp_path, {"24-001-a": job(), "24-002-b": later})
    assert to_ask(cases, lexicon(), after(100)) == ()
    short = read_jobs(tmp_path, {"24-002-b": {**later, "comeback of": "24-001"}})
    assert list(comebacks(short)) == ["24-001-a"]


@pytest.mark.parametrize(("days", "mark"), [(0, 30), (29, 30), (30, 30), (89, 30), (90, 90), (365, 365), (900, 365)])
def test_due_by_age(tmp_path: Path, days: int, mark: int) -> None:
    (due,) = to_ask(read_jobs(tmp_path, {"24-001-a": job()}), lexicon(), after(days))
    assert (due.days, due.due, due.risky) == (days, after(mark), None)
    assert (due.due <= after(days)) == (days >= 30)
    assert {days: name for name, days in MARKS}[mark] in due.why


@pytest.mark.parametrize(("vain", "now", "mark"), [(31, 60, 90), (20, 40, 90), (10, 40, 30), (91, 400, 365)])
def test_asked_in_vain_is_asked_again_at_the_next_mark(tmp_path: Path, vain: int, now: int, mark: int) -> None:
    (due,) = to_ask(read_jobs(tmp_path, {"24-001-a": job((vain, "unknown"))}), lexicon(), after(now))
    assert due.due == after(mark)
    assert f"asked in vain on {after(vain).isoformat()}" in due.why


def test_nobody_is_asked_for_ever(tmp_path: Path) -> None:
    assert to_ask(read_jobs(tmp_path, {"24-001-a": job((380, "unknown"))}), lexicon(), after(800)) == ()


def test_the_days_count_from_the_last_work_that_is_dated(tmp_path: Path) -> None:
    steps = [fix(LINE, on=[TILT], date=after(20).isoformat()), {"check": "fuel line", "found": "dry"}]
    (due,) = to_ask(read_jobs(tmp_path, {"24-001-a": job(steps=steps)}), lexicon(), after(45))
    assert (due.worked, due.days, due.due) == (after(20), 25, after(50))
    assert to_ask([due.case], lexicon(), after(19)) == ()  # the work is not done yet


def test_the_last_day_of_the_calendar(tmp_path: Path) -> None:
    (due,) = to_ask(read_jobs(tmp_path, {"24-001-a": job(date="9999-12-31")}), lexicon(), date.max)
    assert due.due == date.max


def test_what_came_back_often_is_asked_about_sooner(tmp_path: Path) -> None:
    bulb = [fix(BULB, on=[TILT])]
    jobs = {f"23-{n:03d}-held": job((22, "holding"), steps=bulb) for n in range(1, 7)}
    jobs |= {f"23-{n:03d}-back": job((20, "came back")) for n in range(7, 10)}
    cases = read_jobs(tmp_path, {**jobs, "24-001-bulb": job(steps=bulb), "24-002-line": job()})
    first, second = to_ask(cases, lexicon(), after(25))
    assert (first.case.number, second.case.number) == ("24-002", "24-001")
    assert first.due < after(25) < second.due == after(30)
    assert f"{LINE} came back in 3 of 3 jobs heard of" in first.why
    assert first.risky is not None and first.risky.fix == (LINE,)
    assert "%" not in first.why


@given(st.integers(0, 30), st.integers(0, 30), st.floats(0, 1))
def test_haste_is_between_half_and_all_of_the_days(back: int, held: int, usual: float) -> None:
    def record_of(back: int) -> Durability:
        return Durability(("x",), back + held, tuple(Fate("a", 1, n < back) for n in range(back + held)), ())

    share = haste(record_of(back), usual)
    assert 0.5 <= share <= 1
    assert haste(record_of(back + 1), usual) <= share
    if not back:
        assert share == 1


def test_the_question_is_in_the_owners_words(tmp_path: Path) -> None:
    (case,) = read_jobs(tmp_path, {"24-001-a": job(complaint='it says "pop"\nand dies.', private={"owner": "Zyxwv"})})
    asked = question_of(case)
    assert asked.startswith('Your chainsaw went home on 2024-03-01. You had said: "it says \'pop\' and dies".')
    assert "come back" in asked
    assert "as good" in question_of(replace(case, outcome="partly fixed"))
    assert len(question_of(replace(case, complaint="long " * 100))) < 300


def test_what_was_done(tmp_path: Path) -> None:
    steps = [
        fix("replace spark plug", on=[TILT], result="no change"),
        fix(BULB, on=[TILT], result="better"),
        {"set": "low-speed screw", "for": [TILT], "result": "better"},
    ]
    cases = read_jobs(tmp_path, {
        "24-001-cured": job(steps=[*steps, fix("new fuel line", "replace fuel filter", on=[TILT])]),
        "24-002-better": job(steps=steps, outcome="partly fixed"),
        "24-003-nothing-told": job(steps=[{"do": "replace spark plug"}]),
        "24-004-no-steps": job(steps=[]),
    })  # fmt: skip
    assert [due.done for due in to_ask(cases, lexicon(), after(40))] == [
        ("replace fuel filter + replace fuel line",), (BULB, "set low-speed screw"), ("replace spark plug",), (),
    ]  # fmt: skip


# How long fixes hold.


def one(cases: list[Case], name: str = LINE, day: date = TODAY) -> Durability:
    (found,) = [fix for fix in durability(cases, lexicon(), day) if fix.name == name]
    return found


def test_no_news_is_not_success(tmp_path: Path) -> None:
    jobs = {"23-001-a": job((40, "came back")), "23-002-b": job((30, "unknown"), (400, "unknown"))}
    jobs |= {f"23-1{n:02d}-silent": job() for n in range(30)}
    found = one(read_jobs(tmp_path, jobs))
    assert (found.jobs, len(found.fates), found.came_back) == (32, 1, ("23-001-a",))
    assert [at.share for at in found.after] == [None, None, None]


def test_the_share_that_holds_has_its_interval(tmp_path: Path) -> None:
    """The example of the trade: comebacks on days 12 and 40, the others held for 30, 60, 90, 90, 120 and 200 days."""
    days = [(12, "came back"), (40, "came back"), *((held, "holding") for held in (30, 60, 90, 90, 120, 200))]
    month, half, year = one(read_jobs(tmp_path, {f"23-00{n}-a": job(d) for n, d in enumerate(days)})).after
    assert (month.known, month.share) == (8, pytest.approx(0.875))
    assert month.low is not None and month.high is not None and month.low < 0.875 < month.high
    assert (half.known, half.share, year.share) == (3, None, None)


def test_held_until_last_heard_then_unknown(tmp_path: Path) -> None:
    (case,) = read_jobs(tmp_path, {"23-001-a": job((30, "holding"), (100, "holding"), (300, "unknown"))})
    assert one([case]).fates == (Fate("23-001-a", 100, False),)
    assert one([case], day=after(99)).fates == (Fate("23-001-a", 30, False),)
    assert one([case], day=after(29)).fates == ()


def test_the_first_comeback_counts(tmp_path: Path) -> None:
    (case,) = read_jobs(tmp_path, {"23-001-a": job((20, "came back"), (90, "holding"), (200, "came back"))})
    assert one([case]).fates == (Fate("23-001-a", 20, True),)


def test_a_linked_job_is_a_comeback_of_what_it_lists(tmp_path: Path) -> None:
    both = [fix(LINE, on=[TILT]), fix(BULB, on=[LEAK])]
    first = job((10, "holding"), (50, "came back"), steps=both, symptoms=[TILT, LEAK])
    later = {"date": after(48).isoformat(), "comeback of": "23-001-a", "symptoms": [LEAK]}
    cases = read_jobs(tmp_path, {"23-001-a": first, "23-002-b": later})
    assert one(cases, BULB).fates == (Fate("23-001-a", 48, True),)
    assert one(cases, LINE).fates == (Fate("23-001-a", 10, False),)  # what is known of it ends before
    untold = read_jobs(tmp_path, {"23-002-b": {**later, "symptoms": []}})
    assert one(untold, LINE).came_back == one(untold, BULB).came_back == ("23-001-a",)
    assert one(untold, LINE, after(47)).came_back == ()


def test_only_cures_of_finished_jobs_count(tmp_path: Path) -> None:
    steps = [fix(LINE, on=[TILT]), fix(BULB, on=[TILT], result="better"), fix(LINE, on=[TILT], result="no change")]
    jobs = {"23-001-undone": job((90, "holding"), steps=steps)}
    jobs |= {f"23-01{n}-x": job((90, "holding"), outcome=end) for n, end in enumerate(("not fixed", "declined"))}
    assert durability(read_jobs(tmp_path, jobs), lexicon(), TODAY) == ()


def test_a_bundle_is_one_fix(tmp_path: Path) -> None:
    (case,) = read_jobs(tmp_path, {"23-001-a": job(steps=[fix("replace fuel line", "replace fuel filter")])})
    assert cures(case, lexicon()) == {("replace fuel filter", "replace fuel line"): {TILT}}


# The reply in its file.

CLOSED = "status: closed\noutcome: fixed"
NEWS = "{date: 2026-06-02, status: came back}"
BLOCK = f"  - {NEWS}\n"
PLACES = [
    (text(CLOSED), "outcome: fixed\n", "followups:\n" + BLOCK),
    (text(CLOSED + "  # at last\n# more\nadvice: [b]"), "# at last\n", "followups:\n" + BLOCK),
    (text(CLOSED + "\nfollowups:"), "followups:\n", BLOCK),
    (text(CLOSED + "\nfollowups:   # none\nadvice: [b]"), "# none\n", BLOCK),
    (text(CLOSED + "\nfollowups: [{date: 2026-05-02, status: holding}]  # heard"), "holding}", ", " + NEWS),
    (text(CLOSED + "\nfollowups:\n- status: 'holding'\n  date: 2026-05-02\nadvice: [b]"), "2026-05-02\n", "- " + NEWS + "\n"),
    (EXAMPLE, "status: holding}", ", " + NEWS),
]


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize(("before", "behind", "added"), PLACES)
def test_every_other_byte_stays(before: str, behind: str, added: str, line_end: str, mark: str) -> None:
    data = (mark + before).replace("\n", line_end).encode()
    at = before.index(behind) + len(behind)
    expected = (mark + before[:at] + added + before[at:]).replace("\n", line_end).encode()
    assert with_news(data, Followup(date(2026, 6, 2), "came back")) == expected
    case = read(expected, "a").case
    assert case is not None and case.followups[-1] == Followup(date(2026, 6, 2), "came back")


def write_example(folder: Path, content: str = EXAMPLE) -> Path:
    path = folder / "26-014-dies-when-tilted.md"
    path.write_bytes(content.encode())
    return path


@given(st.lists(st.tuples(st.integers(0, 400), st.sampled_from(FOLLOWUP_STATUSES)), min_size=1, max_size=5))
def test_taking_the_news_out_again_gives_the_file(replies: list[tuple[int, Any]]) -> None:
    data = EXAMPLE.replace("\n", "\r\n").encode()
    changed = data
    for days, status in replies:
        changed = with_news(changed, Followup(after(days), status))
    for days, status in replies:
        changed = changed.replace(f", {{date: {after(days).isoformat()}, status: {status}}}".encode(), b"", 1)
    assert changed == data


def test_a_reply_is_written_once(tmp_path: Path) -> None:
    path = write_example(tmp_path)
    day = date(2026, 7, 1)
    first = record(tmp_path, "14", "Holding", day, today=day)
    assert (first.written, first.opened, first.case.followups[-1]) == (True, None, Followup(day, "holding"))
    kept = path.read_bytes()
    again = record(tmp_path, "14", "holding", day, today=day)
    assert (again.written, path.read_bytes()) == (False, kept)
    assert "already" in again.notes[0]
    assert len(os.listdir(tmp_path)) == 1


def test_a_file_changed_meanwhile_is_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_example(tmp_path)
    theirs = EXAMPLE + "somebody else's line\n"

    def slow(words: Any) -> Any:
        case, data = load_case(words)
        path.write_bytes(theirs.encode())
        return case, data

    load_case = followup.load_case
    monkeypatch.setattr(followup, "load_case", slow)
    with pytest.raises(Refused, match="changed by somebody else"):
        record(tmp_path, "14", "came back", date(2026, 7, 1), today=date(2026, 7, 1))
    assert path.read_bytes() == theirs.encode()
    assert os.listdir(tmp_path) == [path.name]


def test_what_cannot_be_changed_safely_is_not_changed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_example(tmp_path)
    monkeypatch.setattr(edit, "with_changes", lambda data, _changes: data.replace(b"holding", b"unknown"))
    with pytest.raises(Refused, match="cannot be changed safely"):
        record(tmp_path, "14", "unknown", date(2026, 7, 1), today=date(2026, 7, 1))
    assert path.read_text() == EXAMPLE


# Came back.


def test_a_comeback_opens_a_linked_case(tmp_path: Path) -> None:
    path = write_example(tmp_path)
    day = date(2026, 7, 1)
    done = record(tmp_path, "14", "came back", day, today=day)
    assert done.opened is not None and done.path is not None
    made, before = load(done.path).case, load(path).case
    assert made == done.opened and before is not None
    assert (made.machine, made.complaint, made.comeback_of) == (before.machine, before.complaint, before.id)
    assert (made.status, made.date, made.symptoms, made.steps, made.outcome) == ("open", day, (), (), None)
    assert made.history.tried_before == ("replace fuel line", "replace fuel filter")
    assert made.private == () and "Invented" not in done.path.read_text()
    assert made.title == f"Came back: {before.title}" and made.number == "26-015"
    assert before.followups[-1] == Followup(day, "came back")
    again = open_comeback(tmp_path, replace(made, status="closed"), day)[0]
    assert (again.title, again.comeback_of) == (made.title, made.id)


def test_a_second_comeback_of_a_job_opens_no_second_case(tmp_path: Path) -> None:
    write_example(tmp_path)
    first = record(tmp_path, "14", "came back", date(2026, 7, 1), today=date(2026, 7, 9))
    second = record(tmp_path, "14", "came back", date(2026, 7, 8), today=date(2026, 7, 9))
    assert first.opened is not None
    assert (second.written, second.opened) == (True, None)
    assert f"[{first.opened.number}] is already linked" in second.notes[0]
    assert len(os.listdir(tmp_path)) == 2


def test_no_case(tmp_path: Path) -> None:
    write_example(tmp_path)
    done = record(tmp_path, "14", "came back", date(2026, 7, 1), today=date(2026, 7, 1), new_case=False)
    assert (done.written, done.opened, len(os.listdir(tmp_path))) == (True, None, 1)


def test_an_old_age_is_not_carried_over(tmp_path: Path) -> None:
    write_example(tmp_path)
    done = record(tmp_path, "14", "came back", date(2027, 3, 7), today=date(2027, 3, 7))
    assert done.opened is not None and done.opened.machine.age == ""
    assert done.notes == ('the machine\'s age ("4 years" on 2026-03-07) was not carried over',)


def test_the_reply_is_kept_when_the_case_cannot_be_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_example(tmp_path)
    day = date(2026, 7, 1)
    with monkeypatch.context() as patch:
        patch.setattr(job_files, "write_new", lambda _path, _text: False)
        with pytest.raises(Refused, match="the same command again opens it"):
            record(tmp_path, "14", "came back", day, today=day)
    case = load(path).case
    assert case is not None and case.followups[-1] == Followup(day, "came back")
    done = record(tmp_path, "14", "came back", day, today=day)
    assert (done.written, done.opened is not None) == (False, True)


# The command.


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    jobs = {
        "23-001-silent": job(private={"owner": "Zyxwv Qponm"}),
        "23-002-open": job(status="open", outcome=None),
        **{f"24-00{n}-held": job((200, "holding")) for n in range(1, 5)},
    }
    return write_cases(tmp_path / "shop", jobs)


@pytest.fixture
def ask(shop: Path) -> Callable[..., Any]:
    return lambda *args: casebase("followups", "--cases", str(shop), *args)


@pytest.mark.parametrize(
    ("args", "told"),
    [
        (("--record", "77", "holding"), 'there is no case "77"'),
        (("--record", "23-002", "holding"), "still open; casebase finish 23-002 comes first"),
        (("--record", "23-001", "fine"), 'allowed: holding, "came back", unknown'),
        (("--record", "23-001", "holdin"), 'did you mean "holding"?'),
        (("--record", "23-001", "holding", "--date", "2024-02-29"), "the work on [23-001] ended 2024-03-01"),
        (("--record", "23-001", "holding", "--date", "2999-01-01"), "give a day between them"),
        (("--record", "23-001", "holding", "--date", "soon"), "write it as 2026-04-18"),
        (("--record", "23-001", ""), "allowed: holding"),
        (("--record", "", "holding"), 'there is no case ""'),
        (("--record", "23-001"), "requires 2 arguments"),
        (("--record", "23-001", "holding", "--no-case"), '"came back" --no-case'),
        (("--no-case",), "--no-case goes with a comeback"),
        (("--fixes", "--record", "23-001", "holding"), "two questions"),
        (("--limit", "0"), "--limit"),
    ],
)
def test_what_is_refused(ask: Callable[..., Any], shop: Path, args: tuple[str, ...], told: str) -> None:
    before = {path.name: path.read_bytes() for path in shop.iterdir()}
    done = ask(*args)
    assert (done.code, done.out) == (2, "")
    assert told in done.err
    assert {path.name: path.read_bytes() for path in shop.iterdir()} == before


def test_the_list_in_words_and_as_json(ask: Callable[..., Any]) -> None:
    told = " ".join(ask("--date", "2024-04-10").out.split())
    for part in ("To ask now", "[23-001] silent 40 days ago (2024-03-01), fixed: replace fuel line", "a month is over",
                 "Ask: Your chainsaw went home", "--record 23-001 holding"):
        assert part in told
    found = ask("--date", "2024-04-10", "--json", "--limit", "2").json
    assert (found["as_of"], found["total_due"], found["total_later"]) == ("2024-04-10", 5, 0)
    assert [case["number"] for case in found["due"]] == ["23-001", "24-001"]
    assert found["due"][0].keys() == {"case", "number", "title", "outcome", "done", "worked_on", "days", "due", "why",
                                      "question", "sooner_for"}
    assert "and 4 more" in ask("--date", "2024-04-10", "--limit", "1").out
    assert "Nobody is to be asked yet; the next on 2024-03-31." in ask("--date", "2024-03-02").out
    assert "1 day ago" in ask("--date", "2024-03-02").out and "today (2024-03-01)" in ask("--date", "2024-03-01").out
    assert "every finished job has news" in ask("--date", "2020-01-01").out


def test_fixes_in_words_and_as_json(ask: Callable[..., Any], shop: Path) -> None:
    told = " ".join(ask("--fixes", "--date", "2025-06-01").out.split())
    assert "replace fuel line: cured 5 jobs, news of 4, none came back" in told
    assert "after 180 days 100 of 100 still hold, between 40 and 100 (from 4 jobs); after 365 days not known" in told
    found = ask("--fixes", "--date", "2025-06-01", "--json").json
    assert found.keys() == {"as_of", "total", "level", "fixes"}
    (line,) = found["fixes"]
    assert (line["actions"], line["jobs"], line["heard_of"], line["came_back"]) == ([LINE], 5, 4, [])
    assert line["holding"][2] == {"days": 365, "known": 0, "share": None, "low": None, "high": None}
    assert "No fix has news" in ask("--fixes", "--date", "2024-03-02").out
    two = job((90, "holding"), steps=[fix(LINE, on=[TILT]), fix(BULB, on=[LEAK])], symptoms=[TILT, LEAK])
    write_cases(shop, {"24-006-two": two, "24-007-plug": job(steps=[fix("replace spark plug")])})
    told = ask("--fixes", "--date", "2025-06-01", "--limit", "1").out
    assert "and 1 more; --limit shows them" in told and "Of 1 more fix there is no news at all." in told
    (shop / "24-006-two.md").unlink()
    (shop / "24-004-held.md").unlink()
    three = ask("--fixes", "--date", "2025-06-01").out
    assert "still holding after 30, 180, 365 days: not known" in three
    assert "of 100" not in three


def test_recording_in_words_and_as_json(ask: Callable[..., Any]) -> None:
    done = ask("--record", "23-001", "unknown", "--date", "2024-04-10")
    assert "Follow-up 2024-04-10: unknown" in done.out
    assert "Unchanged 2024-04-10: unknown" in ask("--record", "23-001", "unknown", "--date", "2024-04-10").out
    found = ask("--record", "23-001", "came back", "--date", "2024-04-20", "--json").json
    assert found["case"] == "23-001-silent" and found["written"] and found["opened"].startswith("24-005-")
    assert found.keys() == {"case", "number", "date", "status", "written", "opened", "file", "notes"}
    assert "Opened" in ask("--record", "24-001", "came back", "--date", "2024-12-20").out
    assert "came back in 2 [" in ask("--fixes", "--date", "2025-06-01").out


def test_a_broken_file_is_refused_with_its_place(ask: Callable[..., Any], shop: Path) -> None:
    (shop / "25-001-broken.md").write_text(text("outcome: fixd"))
    done = ask("--record", "25-001", "holding")
    assert done.code == 1
    assert 'did you mean "fixed"?' in done.err
    assert "1 file could not be used" in ask().err


def test_nothing_private_is_told(ask: Callable[..., Any]) -> None:
    for args in ((), ("--fixes",), ("--record", "23-001", "came back", "--date", "2024-04-20")):
        for options in ((), ("--json",)):
            done = ask(*args, *options)
            assert done.code == 0
            assert not [word for word in ("Zyxwv", "Qponm", "owner") if word in (done.out + done.err).replace("owner's", "")]
