"""The shop in plain counts, its cases as a list, and the pieces the pages draw with."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_folders import fix, index_with, lexicon, understood, write_cases

from casebase.api import CaseBase
from casebase.problems import Refused
from casebase.record.folder import find_case
from casebase.retain.overview import listed, overview
from casebase.retrieve.understand import MachineSeen, without
from casebase.reuse.firstanswer import first_answer
from casebase.reuse.nextcheck import next_step
from casebase.reuse.page import Block, Page, story_html, to_text
from casebase.web import drawing

CASES = {
    "24-001-a": {"date": "2024-05-01", "outcome": "fixed", "followups": [{"date": "2024-06-01", "status": "came back"}]},
    "25-001-b": {"date": "2025-05-01", "outcome": "declined", "machine": {"kind": "blower"}},
    "25-002-c": {"date": "2025-05-01", "outcome": "fixed"},
    "25-003-d": {"date": "2025-04-01", "status": "open"},
}


def test_counts(tmp_path):
    index = index_with(tmp_path, CASES)
    found = overview(index)
    assert found.cases == 4
    assert found.years == (("2025", 3), ("2024", 1))
    assert found.outcomes == (("fixed", 2), ("declined", 1), ("open", 1))
    assert found.kinds == (("chainsaw", 3), ("blower", 1))
    assert sum(count for _name, count in found.outcomes) == found.cases


def test_newest_first_and_only_the_open_ones(tmp_path):
    index = index_with(tmp_path, CASES)
    assert [case.id for case in listed(index)] == ["25-002-c", "25-001-b", "25-003-d", "24-001-a"]
    assert [(case.number, case.kind, case.outcome, case.date) for case in listed(index, open_only=True)] == [
        ("25-003", "chainsaw", "open", date(2025, 4, 1))]


def test_an_empty_folder_counts_nothing(tmp_path):
    index = index_with(tmp_path, {})
    assert overview(index).cases == 0 and listed(index) == ()


def test_what_was_read_wrongly_is_left_out():
    seen = understood("two-stroke chainsaw 45 cc, 6 years old, surges, new plug no change, no fuel leak")
    assert seen.machine.kind == "chainsaw" and seen.tried and {"surges", "fuel leak"} <= {term.label for term in seen.observations}
    less = without(seen, ["surges", "chainsaw", "displacement", "age", "two-stroke", seen.tried[0].action])
    assert "surges" not in less.symptoms and less.machine == MachineSeen() and less.tried == () and less.text == seen.text
    assert "fuel leak" in less.labels("symptom", "absent")
    assert without(seen, ()) == seen


def test_an_answer_to_words_read_already_is_the_same(tmp_path):
    index = index_with(tmp_path, {"25-001-a": {"symptoms": ["surges"], "complaint": "surges", "steps": [fix("clean carburettor", on=["surges"])]}})
    answer = first_answer("saw surges", index)
    assert repr(first_answer(understood("saw surges"), index)) == repr(answer)
    assert "surges" not in first_answer("saw surges", index, wrong=["surges"]).question.symptoms
    step = next_step(answer.question, index, ranking=answer.ranking)
    assert repr(step.proposals) == repr(next_step(answer.question, index).proposals)


def test_cases_alike_are_others(tmp_path):
    cases = {f"25-00{n}-x": {"symptoms": ["surges"], "complaint": "surges at idle"} for n in range(4)}
    base = CaseBase(write_cases(tmp_path, cases | {"25-009-y": {"complaint": "?", "machine": {"kind": "-"}}}))
    base.__dict__["index"] = index_with(tmp_path, {})
    case, silent = base.case("25-001-x"), base.case("25-009-y")
    assert case is not None and silent is not None
    alike = base.alike(case, 2)
    assert len(alike) == 2 and case.id not in {match.id for match in alike}
    assert base.alike(silent) == ()


def test_an_exact_id_needs_no_list(tmp_path, monkeypatch):
    write_cases(tmp_path, {"25-001-x": {}, "25-001-x-more": {}})
    (tmp_path / "25-002-link.md").symlink_to(tmp_path / "25-001-x.md")
    (tmp_path / "README.md").write_text("x")
    for reference in ("25-002-link", "README", "../25-001-x", ""):
        with pytest.raises(Refused):
            find_case(tmp_path, reference)
    monkeypatch.setattr("casebase.record.folder.scan", lambda folder: pytest.fail("listed"))
    entry = find_case(tmp_path, "25-001-x")
    assert entry.path == tmp_path / "25-001-x.md" and entry.signature[0] == entry.path.stat().st_size


@pytest.mark.parametrize(("text", "html"), [
    ("# Big\n\n###### small", "<h3>Big</h3>\n<h6>small</h6>\n"), ("<b>x</b>", "<p>&lt;b&gt;x&lt;/b&gt;</p>\n"),
    ("![x](http://a/b.png)", '<p>!<a href="http://a/b.png">x</a></p>\n'), ("[x](javascript:alert(1))", "<p>[x](javascript:alert(1))</p>\n"),
    ("[x](/case/1)", "<p>[x](/case/1)</p>\n"), ("*a* **b** `c`", "<p><em>a</em> <strong>b</strong> <code>c</code></p>\n"), ("", ""),
    ("a\u202eb", "<p>a\\u202eb</p>\n")])
def test_a_story_is_safe_html(text, html):
    assert story_html(text) == html


def test_a_page_may_leave_its_lines_whole():
    page = Page("", (Block("Heading", ("word " * 40,), "list"),))
    assert len(to_text(page, 0).splitlines()) == 2 and len(to_text(page).splitlines()) > 3


@given(st.floats(-2, 3, allow_nan=False))
def test_places_stay_on_the_track(share):
    assert drawing.LEFT <= drawing.place(share) <= drawing.RIGHT


def test_ranges_are_drawn_only_from_enough_cases(tmp_path):
    cases = {f"25-00{n}-x": {"symptoms": ["surges"], "complaint": "surges", "steps": [fix("clean carburettor", on=["surges"], result=result)]}
             for n, result in enumerate(["cured", "cured", "no change", "cured"])}
    index = index_with(tmp_path, cases)
    item = first_answer("surges", index).evidence[0].fixes[0]
    drawn = drawing.cure_range(item)
    assert drawn is not None and drawn.mark is not None and drawn.low < drawn.mark < drawn.high
    few = first_answer("surges", index_with(tmp_path / "few", {"25-001-x": cases["25-000-x"]})).evidence[0].fixes[0]
    assert drawing.cure_range(few) is None
    assert drawing.ticks(2) == [drawing.LEFT, 200.0, drawing.RIGHT]


def test_costs_are_drawn_on_one_scale(tmp_path):
    from casebase.reuse.weigh import read_given, weigh

    index = index_with(tmp_path, {})
    bars = drawing.cost_bars(weigh([read_given("replace fuel line: 10, 20 min, 60 %")], "", index, otherwise=100))
    assert [bar.name for bar in bars] == ["this order", "stop at once"] and bars[1].range.mark == drawing.RIGHT
    assert len(drawing.cost_bars(weigh([read_given("replace fuel line: 0, 0 min, 60 %")], "", index))) == 1
    assert lexicon() is index.lexicon and Path(index.folder) == tmp_path
