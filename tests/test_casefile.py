"""A case file's bytes to a case: every field and its type. What is wrong: see test_casefile_problems."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest
from helpers import EXAMPLE, case_of, reading

from casebase.problems import Place
from casebase.record.case import (
    Case,
    Check,
    Effect,
    Fault,
    Followup,
    History,
    Machine,
    Repair,
    Setting,
)
from casebase.record.casefile import read, split
from casebase.record.schema import Findings


def test_the_example_of_a_case_file_is_read_whole_and_without_a_word() -> None:
    result = read(EXAMPLE.encode(), "26-014-trimmer-fades")
    dies = "dies when tilted"
    assert result.problems == ()
    assert result.case == Case(
        id="26-014-trimmer-fades",
        title="Trimmer fades when held upside down",
        date=date(2026, 3, 7),
        machine=Machine("string trimmer", "two-stroke", "diaphragm", "27 cc", "4 years", tag="M-7"),
        complaint="fades away whenever I hold it over the hedge",
        status="closed",
        symptoms=(dies,),
        absent=("fuel leak",),
        history=History(stored="4 months with fuel", tried_before=("replace spark plug",)),
        steps=(
            Check("fuel age and smell", "fresh"),
            Check("fuel line", "split at the tank grommet", "bad"),
            Check("cranking compression", "115 psi (793 kPa)", "ok"),
            Setting("low-speed screw", "3/4 turn", "1 turn", (Effect(dies, "no change"),)),
            Repair(
                ("replace fuel line", "replace fuel filter"), (Effect(dies, "cured"),), Decimal("8.40"), Decimal(30)
            ),
        ),
        causes=(Fault("fuel line cracked", (dies,)),),
        proof=("restarted hot three times", "ran ten minutes upside down"),
        outcome="fixed",
        followups=(Followup(date(2026, 5, 9), "holding"),),
        advice=("drain the tank before winter",),
        comeback_of="25-031-trimmer-fades",
        body="Free Markdown: what was seen and heard, doubts.",
        private=(("owner", "Invented Name"), ("phone", "000")),
    )


def test_the_place_of_each_field_is_known() -> None:
    places = read(EXAMPLE.encode(), "x").places
    assert places["title"] == Place(2, 8)
    assert places["machine.kind"] == Place(5, 17)
    assert places["symptoms[0]"] == Place(7, 12)
    assert places["steps[1]"] == Place(13, 5)
    assert places["steps[1].verdict"] == Place(15, 14)
    assert places["causes[0].explains[0]"] == Place(29, 48)


def test_a_stub_with_the_four_required_fields_is_a_case() -> None:
    result = reading()
    assert result.problems == ()
    assert result.case == Case(
        "26-001-saw", "Saw will not start", date(2026, 4, 18), Machine("chainsaw"), "it is dead", status="open"
    )


@pytest.mark.parametrize(
    "outcome", ["fixed", "partly fixed", "not fixed", "no fault found", "not worth fixing", "declined"]
)
def test_a_case_with_an_outcome_is_closed_unless_it_says_otherwise(outcome: str) -> None:
    assert case_of(f"outcome: {outcome}").status == "closed"
    assert case_of(f"outcome: {outcome}\nstatus: open").status == "open"
    assert case_of(f"outcome: {outcome}").outcome == outcome


@pytest.mark.parametrize("key", ["engine", "carburettor", "displacement", "age", "start", "make", "model", "tag"])
def test_every_key_of_the_machine_is_read(key: str) -> None:
    machine = case_of(replacing={"{kind: chainsaw}": f"{{kind: saw, {key}: 012}}"}).machine
    assert (machine.kind, getattr(machine, key)) == ("saw", "012")


@pytest.mark.parametrize("key", ["stored", "fuel", "use", "tried before", "note"])
def test_every_key_of_the_history_is_read(key: str) -> None:
    history = case_of(f"history: {{{key}: 12:30}}").history
    assert getattr(history, key.replace(" ", "_")) == (("12:30",) if key == "tried before" else "12:30")


@pytest.mark.parametrize("key", ["symptoms", "absent", "proof", "advice"])
@pytest.mark.parametrize(("written", "values"), [("[no, b]", ("no", "b")), ("one, two", ("one, two",)), ("", ())])
def test_every_list_of_texts_is_read(key: str, written: str, values: tuple[str, ...]) -> None:
    assert getattr(case_of(f"{key}: {written}"), key) == values


CHECK = "check: fuel line, found: 'no', verdict: unsure, minutes: 012, note: 1.10, date: 2026-04-19"
SET = "set: idle screw, from: 1.10, to: 012, for: [a, b], result: worse, minutes: 2.50, note: n, date: 2026-04-20"
DO = "do: [x, y], for: [a, b], result: {a: cured, b: not tested}, parts: 1.10, minutes: 5, source: maker's, note: n, "


@pytest.mark.parametrize(
    ("written", "step"),
    [
        (CHECK, Check("fuel line", "no", "unsure", Decimal(12), "1.10", date(2026, 4, 19))),
        (
            SET,
            Setting(
                "idle screw", "1.10", "012", (Effect("a", "worse"), Effect("b", "worse")), Decimal("2.5"), "n",
                date(2026, 4, 20),
            ),
        ),
        (
            DO + "date: 2026-04-21",
            Repair(
                ("x", "y"), (Effect("a", "cured"), Effect("b", "not tested")), Decimal("1.1"), Decimal(5), "maker's",
                "n", date(2026, 4, 21),
            ),
        ),
        ("check: plug", Check("plug")),
        ("set: gap", Setting("gap")),
        ("do: x", Repair(("x",))),
        ("do: x, result: ''", Repair(("x",))),
        ("do: x, result: better", Repair(("x",), (Effect("", "better"),))),
        ("do: x, result: {' a  b ': better}", Repair(("x",), (Effect("a b", "better"),))),
    ],
)  # fmt: skip
def test_every_key_of_a_step_is_read(written: str, step: object) -> None:
    assert case_of(f"symptoms: [a, b, a b]\nsteps: [{{{written}}}]").steps == (step,)


def test_a_result_without_for_belongs_to_the_only_symptom() -> None:
    case = case_of("symptoms: [no spark]\nsteps: [{do: x, result: cured}]")
    assert case.steps == (Repair(("x",), (Effect("no spark", "cured"),)),)


@pytest.mark.parametrize("result", ["cured", "better", "no change", "worse", "not tested"])
@pytest.mark.parametrize("source", ["maker's", "pattern", "used", "made here"])
def test_every_result_and_source_is_known(result: str, source: str) -> None:
    (step,) = case_of(f"steps: [{{do: x, result: {result}, source: {source}}}]").steps
    assert step == Repair(("x",), (Effect("", result),), source=source)  # type: ignore[arg-type]


@pytest.mark.parametrize("verdict", ["ok", "bad", "unsure"])
def test_every_verdict_is_known(verdict: str) -> None:
    assert case_of(f"steps: [{{check: x, verdict: {verdict}}}]").steps == (Check("x", verdict=verdict),)  # type: ignore[arg-type]


@pytest.mark.parametrize("status", ["holding", "came back", "unknown"])
def test_every_kind_of_follow_up_is_known(status: str) -> None:
    news = case_of(f"followups: [{{date: 2026-06-02, status: {status}}}]").followups
    assert news == (Followup(date(2026, 6, 2), status),)  # type: ignore[arg-type]


def test_private_fields_may_have_any_name_and_stay_texts() -> None:
    assert case_of("private: {owner: no, 'a: b': 012, tel: ''}").private == (
        ("owner", "no"),
        ("a: b", "012"),
        ("tel", ""),
    )


@pytest.mark.parametrize(
    ("body", "kept"),
    [
        ("", ""),
        ("\n\nOne.\n\n---\ntitle: not a field\n---\n", "One.\n\n---\ntitle: not a field\n---"),
        ("  indented\n\ttab", "  indented\n\ttab"),
        ("a\u2028b\x0cc\rd\x07", "a\u2028b\x0cc\rd\x07"),
        ("&a *b !c {{", "&a *b !c {{"),
        ("a\r\r\nb\r\n", "a\nb"),
    ],
)
def test_the_body_is_free_text(body: str, kept: str) -> None:
    assert case_of(body=body).body == kept


FULL = EXAMPLE.encode()


@pytest.mark.parametrize(
    "data",
    [
        b"\xef\xbb\xbf" + FULL,
        FULL.replace(b"\n", b"\r\n"),
        b"\xef\xbb\xbf" + FULL.replace(b"\n", b"\r\n"),
        FULL.replace(b"---\n", b"--- \t\n", 1),
        FULL.removesuffix(b"\n"),
    ],
    ids=["BOM", "CRLF", "BOM and CRLF", "space after ---", "no last line end"],
)
def test_byte_order_mark_and_line_ends_make_no_difference(data: bytes) -> None:
    result = read(data, "a")
    assert result.problems == ()
    assert result == read(FULL, "a")


@pytest.mark.parametrize("front", [b"title: x", b"title: x\r", b"a: b\r\nc: d\r"])
def test_the_parts_of_a_file_are_front_matter_and_body(front: bytes) -> None:
    parts = split(f"---\n{front.decode()}\n---\nbody\r\nmore".replace("\r\n", "\r\n"), Findings("x"))
    assert parts is not None
    assert (parts.front, parts.front_line, parts.body) == (front.decode(), 2, "body\nmore")
