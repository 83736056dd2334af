"""The way in for other programs: one object per folder, a picture of the moment it was opened."""

from __future__ import annotations

import subprocess
import sys
from datetime import date, timedelta
from pathlib import Path

import pytest
from commands import ROOT, copy_of_demo, environment
from helpers import EXAMPLE

import casebase
from casebase import CaseBase
from casebase.problems import Refused
from casebase.retain.jobclose import Answers

pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture(autouse=True)
def _here(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    return copy_of_demo(tmp_path, 12)


def test_the_facade():
    assert casebase.__all__ == ["CaseBase"]
    assert casebase.CaseBase is CaseBase
    with pytest.raises(AttributeError, match="nonsense"):
        casebase.nonsense  # noqa: B018


def test_the_example_of_the_package(tmp_path):
    """The lines shown in the package's docstring, run in the folder they speak of."""
    lines = [line.strip()[4:] for line in (casebase.__doc__ or "").splitlines() if line.strip().startswith(">>> ")]
    assert len(lines) == 4
    env = environment(XDG_CACHE_HOME=tmp_path)
    done = subprocess.run([sys.executable, "-c", "\n".join(lines[:3]) + f"\nprint({lines[3]})"], cwd=ROOT, env=env,
                          capture_output=True, text=True)  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert (ROOT / "cases" / f"{done.stdout.strip()}.md").exists()


def test_importing_the_package_loads_no_engine():
    code = "import sys, casebase; print('numpy' in sys.modules, 'yaml' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], env=environment(), capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]


def test_find(demo):
    answer = CaseBase(demo).find("runs only on choke, leaks at bulb")
    assert answer.ranking.shown[0].id == "24-009-trimmer-choke-then-bulb"
    assert len(CaseBase(str(demo)).find("starts only sometimes", limit=2).ranking.shown) <= 2
    plain = CaseBase(demo).find("runs only on choke", limit=4, diverse=False).ranking
    assert plain.shown[0].id == plain.matches[0].id
    assert [match.id for match in plain.shown] == [match.id for match in plain.matches[: len(plain.shown)]]


def test_it_is_a_picture_of_the_moment(demo):
    base = CaseBase(demo)
    assert base.index.size == 12
    next(demo.glob("2*.md")).unlink()
    assert base.index.size == 12
    assert CaseBase(demo).index.size == 11
    assert base.rebuild().size == 11
    assert base.index.size == 11


def test_reading_and_cases(demo):
    base = CaseBase(demo)
    reading = base.reading("24-009")
    assert reading.case is not None
    assert reading.case == base.case("24-009-trimmer-choke-then-bulb") == base.reading("9").case
    assert base.case("24-999-nothing") is None
    (demo / "24-777-broken.md").write_text("x")
    assert base.reading("777").case is None
    assert base.reading("777").problems
    assert base.case("24-777-broken") is None
    with pytest.raises(Refused, match="no case"):
        base.reading("nothing of the kind")


@pytest.mark.parametrize("name", ["../cases/24-009-trimmer-choke-then-bulb", "/etc/passwd", "..", "24-009\0"])
def test_no_case_lies_outside_the_folder(demo, name):
    (demo.parent / "24-009-x.md").write_text((demo / "24-009-trimmer-choke-then-bulb.md").read_text())
    with pytest.raises(Refused):
        CaseBase(demo).reading(name)
    assert CaseBase(demo).case(name) is None
    assert CaseBase(demo).case("../24-009-x") is None


def test_jobs(demo):
    base = CaseBase(demo)
    case, path = base.job(" 24-009 ")
    assert path == demo / "24-009-trimmer-choke-then-bulb.md"
    assert case == base.case("24-009-trimmer-choke-then-bulb")
    assert base.job("runs only on choke") == (None, None)
    with pytest.raises(Refused, match="no case"):
        base.job("24-999")
    (demo / "24-777-broken.md").write_text("x")
    with pytest.raises(Refused, match="does not begin with a ---"):
        base.job("777")


def test_problems(demo):
    (demo / "24-777-broken.md").write_text("x")
    base = CaseBase(demo)
    assert [Path(problem.file).name for problem in base.problems] == ["24-777-broken.md"]
    assert base.find("runs only on choke").cases == 12


@pytest.mark.parametrize("words", ["", "   ", "?!", "x" * 30_000])
def test_what_cannot_be_read_is_refused(demo, words):
    base = CaseBase(demo)
    for ask in (base.find, base.understand):
        with pytest.raises(Refused):
            ask(words)


def test_progress(demo):
    seen = []

    def progress(entries, total):
        seen.append(total)
        return entries

    assert CaseBase(demo, progress).index.size == 12
    assert seen == [12]


def test_a_missing_folder(tmp_path):
    with pytest.raises(Refused, match="is not a folder"):
        CaseBase(tmp_path / "none").find("no spark")


# A job through the object, as pages and other programs do it.

DAY = date(2026, 12, 1)


def test_a_job_from_complaint_to_hand_over(demo):
    base = CaseBase(demo)
    opened = base.open_job("surges at full throttle and leaks at the carburettor", DAY, machine="mower, four-stroke")
    assert opened.case.symptoms == ("surges", "fuel leak")
    assert opened.answer.cases == 12
    assert opened.step.proposals
    assert (opened.comeback, opened.twin) == (None, None)
    number = opened.case.number
    for line in ("air filter filthy, bad", "fitted a new carburettor kit, cured the leak, surging better, 40 min, 11.80"):
        job = base.job_file(number)
        case = base.log(job, base.read_line(job, line), guarded=True)
    assert len(case.steps) == 2
    done = base.finish(base.job_file(number), Answers(outcome="partly fixed", causes=("unknown",), proof=("ran ten minutes",),
                                                      safety=("ok",)))
    assert (done.case.status, done.case.outcome, done.problems) == ("closed", "partly fixed", ())
    assert base.index.size == 13  # the index was opened anew
    assert "What was done" in {block.heading for block in base.sheet(number).filled}


def test_a_line_that_says_too_little_writes_nothing(demo):
    base = CaseBase(demo)
    number = base.open_job("no spark", DAY, machine="chainsaw").case.number
    job = base.job_file(number)
    read = base.read_line(job, "fiddled about")
    assert read.step is None
    with pytest.raises(Refused, match="does not say what was checked"):
        base.log(job, read)
    assert job.path.read_bytes() == job.seen


def test_a_guarded_step_does_not_go_into_a_changed_file(demo):
    base = CaseBase(demo)
    number = base.open_job("no spark", DAY, machine="chainsaw").case.number
    one, other = base.job_file(number), base.job_file(number)
    base.log(one, base.read_line(one, "spark tester: no spark"), guarded=True)
    with pytest.raises(Refused, match="changed by somebody else"):
        base.log(other, base.read_line(other, "fitted new plug, no change"), guarded=True)
    assert len(base.log(other, base.read_line(other, "fitted new plug, no change")).steps) == 2  # at the end of what is there


@pytest.mark.parametrize(
    ("symptom", "days", "came_back"),
    [("dies when tilted", 20, True), ("surges", 20, False), ("dies when tilted", 90, False)],
)
def test_a_finished_comeback_is_told_to_the_earlier_job(tmp_path, symptom, days, came_back):
    """Only the same trouble of the same machine within the time speaks against the repair."""
    before = tmp_path / "26-014-dies-when-tilted.md"
    before.write_text(EXAMPLE.replace("followups:", "# followups:").replace("comeback of: 25-031-trimmer-fades\n", ""))
    base = CaseBase(tmp_path)
    when = date(2026, 3, 7) + timedelta(days)
    opened = base.open_job(symptom, when, machine="string trimmer", tag="M-7")
    assert (opened.comeback is not None) == (days < 60)
    base.log(job := base.job_file(opened.case.number), base.read_line(job, "new fuel line, cured"))
    done = base.finish(base.job_file(opened.case.number), Answers(outcome="fixed", causes=("unknown",), proof=("ran",), safety=("ok",)))
    earlier = base.case(before.stem)
    assert earlier is not None
    assert earlier.came_back == came_back
    assert (f"noted in [{earlier.number}] that it came back" in done.remarks) == came_back
    if came_back:
        assert earlier.followups[-1].date == when
