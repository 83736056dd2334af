"""Opening and finishing a job: numbers, machines, comebacks, and what is missing at the end."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest
from helpers import case_of, text
from small_folders import lexicon, write_cases

from casebase.problems import Refused
from casebase.record.case import Case, Check, Effect, Fault, Machine
from casebase.record.casefile import read
from casebase.record.edit import change
from casebase.record.folder import load_all
from casebase.retain import job
from casebase.retain.job import SeenBefore, comeback_of, near_duplicate, open_job, set_field
from casebase.retain.jobclose import Answers, close, likely_outcome, safety_checks
from casebase.trade.terms import package_vocabulary

DAY = date(2026, 5, 4)
TRIMMER = "string trimmer, two-stroke, 26 cc, 6 years"
VOCABULARY = package_vocabulary()


def opened(folder: Path, complaint: str = "runs only on choke, no fuel leak", **more: str) -> job.Opened:
    given = {"machine": TRIMMER, **more}
    return open_job(folder, complaint, lexicon(), DAY, **given)


def test_a_job_is_opened(tmp_path: Path) -> None:
    made = opened(tmp_path, "runs only on choke, no fuel leak, new plug made no difference", tag="T-3")
    assert made.path == tmp_path / "26-001-trimmer-runs-only-choke-no-fuel.md"
    assert made.notes == ()
    case = made.case
    assert case.machine == Machine("string trimmer", "two-stroke", "", "26 cc", "6 years", tag="T-3")
    assert (case.status, case.date, case.symptoms, case.absent) == ("open", DAY, ("runs only on choke",), ("fuel leak",))
    assert case.history.tried_before == ("replace spark plug",)
    assert case.title.startswith("String trimmer: runs only on choke")
    assert read(made.path.read_bytes(), made.path.stem).problems == ()


def test_numbers_go_on_within_their_year_and_skip_none_that_is_taken(tmp_path: Path) -> None:
    write_cases(tmp_path, {"26-007-a": {}, "25-040-b": {}})
    (tmp_path / "26-011-broken.md").write_text("broken")
    (tmp_path / "26-012.txt").write_text("no case")
    assert [opened(tmp_path).case.number for _time in range(3)] == ["26-013", "26-014", "26-015"]
    assert open_job(tmp_path, "dead", lexicon(), date(2027, 1, 2), machine="chainsaw").case.number == "27-001"


def test_two_at_once_get_two_numbers(tmp_path: Path) -> None:
    children = []
    for _number in range(4):
        child = os.fork()
        if child == 0:
            opened(tmp_path)
            os._exit(0)
        children.append(child)
    assert [os.waitpid(child, 0)[1] for child in children] == [0] * 4
    assert sorted(case.number for case in load_all(tmp_path)[0]) == [f"26-00{number}" for number in range(1, 5)]


@pytest.mark.parametrize(
    ("machine", "expected", "noted"),
    [
        ("chainsaw", Machine("chainsaw"), ""),
        ("old chainsaw, 45cc, electric start", Machine("chainsaw", displacement="45cc", start="electric"), ""),
        ("rope start walk-behind mower, four-stroke", Machine("walk-behind mower", "four-stroke", start="rope"), ""),
        ("pedal car, two-stroke", Machine("pedal car", "two-stroke"), '"pedal car" is no machine'),
        ("chainsaw, sky blue", Machine("chainsaw"), 'not read in --machine: "sky blue"'),
    ],
)
def test_the_machine_in_plain_words(tmp_path: Path, machine: str, expected: Machine, noted: str) -> None:
    made = opened(tmp_path, "no spark", machine=machine)
    assert made.case.machine == expected
    assert noted in " ".join(made.notes)


def test_the_machine_may_stand_in_the_complaint_or_behind_the_tag(tmp_path: Path) -> None:
    made = opened(tmp_path, "my 6 year old 45 cc chainsaw will not start", machine="", tag="S-1")
    assert made.case.machine == Machine("chainsaw", displacement="45 cc", age="6 years", tag="S-1")
    again = opened(tmp_path, "will not start again", machine="", tag="s-1")
    assert again.case.machine == made.case.machine._replace(tag="s-1")
    assert made.case.number in again.notes[0]


@pytest.mark.parametrize(("complaint", "machine"), [("will not start", ""), ("", "chainsaw"), ("??", "chainsaw"),
                                                    ("will not start", "two-stroke, 26 cc")])  # fmt: skip
def test_what_is_no_job_makes_no_file(tmp_path: Path, complaint: str, machine: str) -> None:
    with pytest.raises(Refused) as refused:
        opened(tmp_path, complaint, machine=machine)
    assert refused.value.usage
    assert all(problem.hint for problem in refused.value.problems)
    assert list(tmp_path.iterdir()) == []


def test_a_comeback_is_the_same_tag_within_sixty_days(tmp_path: Path) -> None:
    machine = {"kind": "string trimmer", "tag": "T-3"}
    write_cases(tmp_path, {"26-001-a": {"machine": machine, "date": "2026-03-05"}})
    case = opened(tmp_path, tag="t-3").case
    before = comeback_of(tmp_path, case)
    assert before is not None
    assert (before.case.id, before.days) == ("26-001-a", 60)
    write_cases(tmp_path, {"26-001-a": {"machine": machine, "date": "2026-03-04"}})
    assert comeback_of(tmp_path, case) is None
    assert comeback_of(tmp_path, opened(tmp_path).case) is None


def test_a_job_written_down_twice_is_noticed() -> None:
    one = case_of(replacing={"it is dead": "runs only on choke and leaks at the bulb"})
    two = case_of(replacing={"it is dead": "leaks at bulb, runs only on choke"})
    other = case_of(replacing={"it is dead": "leaks oil at the bar"})
    twin = Case("x", two.title, two.date, two.machine, two.complaint)
    assert near_duplicate(one, [other, one]) is None
    assert near_duplicate(one, [other, twin]) == SeenBefore(twin, 0)


# Finishing.

FRONT = """status: open
symptoms: [surges, starts then dies]
steps:
  - check: fuel line
    verdict: ok
  - do: strip and clean carburettor   # took long
  - set: low-speed screw
    from: 1 turn
    result: better"""


def job_with(front: str, kind: str = "string trimmer") -> Case:
    return case_of(front, replacing={"kind: chainsaw": f"kind: {kind}"})


def person(*said: str) -> tuple[Callable[[str], str], list[str]]:
    """A person who gives these answers, and the questions put."""
    rest, questions = iter(said), []

    def ask(question: str) -> str:
        questions.append(question)
        try:
            return next(rest)
        except StopIteration:
            raise EOFError from None

    return ask, questions


def test_a_person_is_asked_for_all_that_is_missing() -> None:
    ask, questions = person("what", "cu", "1", "both", "", "carburettor jet blocked, x: surges", "ran an hour", "ok", "?",
                            "not done", "ok", "drain it")
    closing = close(job_with(FRONT), VOCABULARY, Answers(), ask)
    changes = closing.changes
    assert changes.effects == {1: (Effect("surges", "cured"),),
                               2: (Effect("surges", "better"), Effect("starts then dies", "better"))}
    assert changes.texts == {"status": "closed", "outcome": "partly fixed"}
    assert changes.added == {"proof": ("ran an hour",), "advice": ("drain it",)}
    assert changes.steps == (Check("fuel leak check", verdict="ok"), Check("stop switch works", verdict="ok"))
    assert [fault.explains for fault in changes.faults][1] == ("surges",)
    assert "attachment still at idle: not done before hand-over" in closing.remarks
    assert len(questions) == 12


ALL = Answers(("2: cured",), ("2: surges", "3: starts then dies"), "fixed", ("jet blocked: surges",), ("ran",), ("ok",))


def test_options_may_say_it_all() -> None:
    closing = close(job_with(FRONT), VOCABULARY, ALL, None)
    assert closing.changes.effects[2] == (Effect("starts then dies", "better"),)
    assert [step.check for step in closing.changes.steps if isinstance(step, Check)] == [
        "fuel leak check", "attachment still at idle", "stop switch works"]
    assert "no step says what cured starts then dies" in " ".join(closing.remarks)


@pytest.mark.parametrize(
    ("change_", "field"),
    [({"results": ()}, "--result"), ({"symptoms": ()}, "--for"), ({"outcome": ""}, "--outcome"),
     ({"causes": ()}, "--cause"), ({"proof": ()}, "--proof"), ({"safety": ()}, "--safety"),
     ({"outcome": "fixd"}, "--outcome"), ({"safety": ("stop switch works: maybe",)}, "--safety"),
     ({"safety": ("ok", "stop switch works: bad")}, "--safety"), ({"causes": ("jet: smokes",)}, "--cause"),
     ({"results": ("2: cured", "9: cured")}, "--result"), ({"results": ("cured",)}, "--result or --for"),
     ({"symptoms": ("2: smokes", "3: surges")}, "--for")],
)  # fmt: skip
def test_what_is_missing_or_wrong_is_named_with_its_option(change_: dict[str, object], field: str) -> None:
    with pytest.raises(Refused) as refused:
        close(job_with(FRONT), VOCABULARY, ALL._replace(**change_), None)  # type: ignore[arg-type]
    assert field in [problem.field for problem in refused.value.problems]
    assert all(problem.hint for problem in refused.value.problems)


def test_a_job_that_ends_unrepaired_needs_neither_proof_nor_safety() -> None:
    closing = close(job_with("status: open"), VOCABULARY, Answers(outcome="declined"), None)
    assert closing.changes == closing.changes._replace(texts={"status": "closed", "outcome": "declined"}, steps=())
    with pytest.raises(Refused, match="closed already"):
        close(job_with("outcome: declined"), VOCABULARY, Answers(), None)


def test_safety_checks_are_those_of_the_machine_not_made_since_the_last_change() -> None:
    assert "blade stops on release" in safety_checks(job_with("", "walk-behind mower"), VOCABULARY)
    late = "steps:\n  - {check: stop switch works, verdict: ok}\n  - {do: x}\n  - {check: fuel leak check, verdict: ok}"
    assert safety_checks(job_with(late), VOCABULARY) == ("attachment still at idle", "stop switch works")


@pytest.mark.parametrize(("steps", "outcome"), [
    ("[{do: x, result: cured}]", "fixed"), ("[{do: x, result: better}]", "partly fixed"),
    ("[{do: x, result: worse}]", "not fixed"), ("[{do: x}]", "")])  # fmt: skip
def test_the_likely_outcome(steps: str, outcome: str) -> None:
    assert likely_outcome(job_with(f"symptoms: [surges]\nsteps: {steps}")) == outcome


@pytest.mark.parametrize(("said", "linked"), [(True, True), (False, False), (None, True)])
def test_a_comeback_is_linked_unless_it_is_none(said: bool | None, linked: bool) -> None:
    before = SeenBefore(job_with("status: closed"), 12)
    closing = close(job_with(FRONT), VOCABULARY, ALL._replace(comeback=said), None, before)
    assert ("comeback of" in closing.changes.texts) == linked
    ask, questions = person("cured", "1", "1", "fixed", "", "ran", "ok", "ok", "ok", "", "no")
    assert "comeback of" not in close(job_with(FRONT), VOCABULARY, Answers(), ask, before).changes.texts
    assert "Is this a comeback?" in questions[-1]


def test_a_cause_explains_what_was_cured_by_removing_it() -> None:
    front = "status: open\nsymptoms: [surges, starts then dies]\nsteps:\n  - {do: replace fuel line, for: [surges], result: cured}"
    closing = close(job_with(front), VOCABULARY, Answers(outcome="fixed", causes=("fuel line cracked",), proof=("none",),
                                                         safety=("not done",)), None)  # fmt: skip
    assert closing.changes.faults == (Fault("fuel line cracked", ("surges",)),)
    assert "proof" not in closing.changes.added


def test_closing_is_written_at_once_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "26-001-a.md"
    path.write_text(text(FRONT, "Told.\n"))
    seen = path.read_bytes()
    closing = close(job_with(FRONT), VOCABULARY, ALL, None)
    path.write_text(text(FRONT, "Told by somebody else.\n"))
    with pytest.raises(Refused, match="changed by somebody else"):
        change(path, closing.changes, seen)
    assert path.read_text() == text(FRONT, "Told by somebody else.\n")
    assert change(path, closing.changes).outcome == "fixed"
    assert "  - do: strip and clean carburettor   # took long\n" in path.read_text()


@pytest.mark.parametrize(("field", "value", "line"), [
    ("title", "Saw: dead", 'title: "Saw: dead"'), ("Outcome", "Fixed", "outcome: fixed"), ("machine.tag", "S-1",
     "machine: {kind: chainsaw, tag: S-1}"), ("advice", "drain it", "advice: [drain it]"), ("date", "2026-04-19",
     "date: 2026-04-19"), ("history.stored", "5 months", "history: {stored: 5 months}")])  # fmt: skip
def test_a_field_is_set(tmp_path: Path, field: str, value: str, line: str) -> None:
    path = tmp_path / "26-001-a.md"
    path.write_text(text())
    set_field(path, field, value)
    assert line in path.read_text().split("\n")


@pytest.mark.parametrize(("field", "value"), [("private.owner", "x"), ("steps", "x"), ("titel", "x"), ("outcome", "fixd"),
                                              ("date", "2026-02-31"), ("title", ""), ("date", "")])  # fmt: skip
def test_a_field_that_cannot_be_set_is_left(tmp_path: Path, field: str, value: str) -> None:
    path = tmp_path / "26-001-a.md"
    path.write_text(text())
    with pytest.raises(Refused):
        set_field(path, field, value)
    assert path.read_text() == text()
