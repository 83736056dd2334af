"""The tools: one command sets everything up, says what failed, and is quick the second time."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from commands import DEMO, ROOT, quick_lexicon
from small_folders import lexicon

from casebase.record.casefile import read
from casebase.record.casetext import write
from casebase.record.folder import load_all

TOOLS = ROOT / "tools"


def tool(name: str) -> ModuleType:
    """A script of `tools/`, imported under a name of its own (there are other modules called `test`)."""
    spec = importlib.util.spec_from_file_location(f"tool_{name}", TOOLS / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


class Machine:
    """A machine on which commands are only written down, and `venv` leaves a Python behind."""

    def __init__(self, run: ModuleType) -> None:
        self.run = run
        self.commands: list[list[str]] = []
        self.failing: tuple[str, ...] = ()

    def __call__(self, command: list[str], **_options: object) -> subprocess.CompletedProcess[str]:
        self.commands.append(command)
        if "venv" in command and "venv" not in self.failing:
            self.run.PYTHON.parent.mkdir(parents=True, exist_ok=True)
            self.run.PYTHON.write_text("")
        failed = any(word in " ".join(command) for word in self.failing)
        return subprocess.CompletedProcess(command, int(failed))

    def did(self, *words: str) -> list[str]:
        """Which of the words were part of a command, in order; what was done is forgotten."""
        done = [word for command in self.commands for word in words if word in command]
        self.commands.clear()
        return done


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Machine:
    run = tool("run")
    monkeypatch.setattr(run, "ROOT", tmp_path)
    monkeypatch.setattr(run, "VENV", tmp_path / ".venv")
    monkeypatch.setattr(run, "PYTHON", tmp_path / ".venv" / "bin" / "python")
    (tmp_path / "pyproject.toml").write_text("[project]\n")
    fake = Machine(run)
    monkeypatch.setattr(subprocess, "run", fake)
    return fake


def test_the_first_run_sets_up_and_the_second_starts_at_once(machine, capfd):
    assert machine.run.prepare() == machine.run.PYTHON
    assert machine.did("venv", "pip", "compileall") == ["venv", "pip", "compileall"]
    assert "once" in capfd.readouterr().err
    machine.run.prepare()
    assert machine.commands == []
    assert capfd.readouterr().err == ""


def test_extras_are_installed_once_beside_it(machine):
    machine.run.prepare()
    machine.commands.clear()
    machine.run.prepare("dev")
    assert [command[-1] for command in machine.commands if "pip" in command] == [f"{machine.run.ROOT}[dev]"]
    machine.commands.clear()
    machine.run.prepare("dev")
    machine.run.prepare()
    assert machine.commands == []


def test_a_change_of_the_project_file_installs_anew(machine):
    machine.run.prepare()
    machine.commands.clear()
    (machine.run.ROOT / "pyproject.toml").write_text("[project]\nname = 'x'\n")
    machine.run.prepare()
    assert machine.did("venv", "pip") == ["pip"]


def test_a_set_up_that_was_broken_off_is_mended(machine):
    """A Python without pip, and no mark of a finished installation."""
    machine.run.PYTHON.parent.mkdir(parents=True)
    machine.run.PYTHON.write_text("")
    machine.failing = ("import pip",)
    machine.run.prepare()
    assert machine.did("venv", "pip") == ["venv", "pip"]


@pytest.mark.parametrize(("failing", "says"), [("install", "did not work"), ("venv", "could not be made")])
def test_what_fails_is_said_and_tried_again(machine, failing, says):
    machine.failing = (failing,)
    with pytest.raises(SystemExit, match=says):
        machine.run.prepare()
    machine.failing = ()
    machine.commands.clear()
    machine.run.prepare()
    assert "pip" in machine.did("pip")


def test_an_old_python_is_told_what_is_needed(machine, monkeypatch):
    monkeypatch.setattr(sys, "version_info", (3, 10, 1))
    with pytest.raises(SystemExit, match=r"needs Python 3\.11"):
        machine.run.prepare()


def test_run_hands_over_to_casebase(machine, monkeypatch):
    started: list[Any] = []
    monkeypatch.setattr(os, "execv", lambda *call: started.append(call))
    monkeypatch.setattr(sys, "argv", ["tools/run.py", "find", "no spark"])
    monkeypatch.setenv("CASEBASE_DIR", "x")
    monkeypatch.delenv("CASEBASE_DIR")
    machine.run.main()
    python = str(machine.run.PYTHON)
    assert started == [(python, [python, "-m", "casebase", "find", "no spark"])]
    assert os.environ["CASEBASE_DIR"] == str(machine.run.ROOT / "cases")


def test_an_own_folder_is_kept(machine, monkeypatch):
    monkeypatch.setattr(os, "execv", lambda *_call: None)
    monkeypatch.setattr(sys, "argv", ["tools/run.py"])
    monkeypatch.setenv("CASEBASE_DIR", "/mine")
    machine.run.main()
    assert os.environ["CASEBASE_DIR"] == "/mine"


@pytest.mark.parametrize("code", [0, 1])
def test_test_runs_pytest_and_passes_on_its_code(monkeypatch, code):
    test = tool("test")
    commands = []

    def fake(command: list[str], **_options: object) -> subprocess.CompletedProcess[str]:
        commands.append(command)
        return subprocess.CompletedProcess(command, code)

    monkeypatch.setattr(test, "prepare", lambda extra: Path(f"/{extra}/python"))
    monkeypatch.setattr(subprocess, "run", fake)
    monkeypatch.setattr(sys, "argv", ["tools/test.py", "-k", "wilson"])
    monkeypatch.chdir(ROOT)
    with pytest.raises(SystemExit) as end:
        test.main()
    assert end.value.code == code
    assert commands == [["/dev/python", "-m", "pytest", "-k", "wilson"]]


@pytest.mark.parametrize("failing", ["", "mypy", "pytest"])
def test_check_does_every_step_and_names_what_failed(monkeypatch, capsys, failing):
    check = tool("check")
    commands = []

    def fake(command: list[str], **_options: object) -> subprocess.CompletedProcess[str]:
        commands.append(" ".join(command[2:]))
        return subprocess.CompletedProcess(command, int(bool(failing) and failing in command))

    monkeypatch.setattr(check, "prepare", lambda extra: Path("/python"))
    monkeypatch.setattr(subprocess, "run", fake)
    monkeypatch.chdir(ROOT)
    with pytest.raises(SystemExit) as end:
        check.main()
    assert end.value.code == int(bool(failing))
    for step in ("ruff", "mypy", "pytest", "coverage"):
        assert any(command.startswith(step) for command in commands)
    assert (f"failed: {failing}" in capsys.readouterr().err) == bool(failing)


@pytest.mark.parametrize("name", ["run", "test", "check"])
def test_tools_need_nothing_but_python(name):
    """They run before anything is installed: only the standard library and each other."""
    code = f"import sys; sys.path.insert(0, {str(TOOLS)!r}); import importlib; importlib.import_module({name!r})"
    done = subprocess.run([sys.executable, "-I", "-S", "-c", code], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_benchmark_measures(monkeypatch, capsys):
    """The large part of it on a handful of records; the figures themselves are not judged here."""
    bench = tool("bench")
    with monkeypatch.context() as patch:
        quick_lexicon(patch)
        patch.setenv("XDG_CACHE_HOME", os.environ["XDG_CACHE_HOME"])
        bench.large_folder(30)
    told = capsys.readouterr().out
    assert "30 cases: index" in told
    assert "peak memory" in told


def test_the_benchmarks_records_are_whole_and_hold_nothing_private():
    bench = tool("bench")
    cases = load_all(DEMO)[0]
    made = list(bench.mixed(cases, 20, write))
    assert len({name for name, _text in made}) == 20
    for name, text in made:
        case = read(text.encode(), name.removesuffix(".md")).case
        assert case is not None
        assert case.private == ()


def test_the_least_time_of_each_job_counts():
    bench = tool("bench")
    done = []
    times = bench.in_turns([lambda: done.append("a"), lambda: done.append("b")], rounds=3)
    assert done == ["a", "b"] * 3
    assert len(times) == 2
    assert all(time >= 0 for time in times)


def test_the_list_of_real_words_is_up_to_date(tmp_path, monkeypatch, capsys):
    """Every word kept there is near a word of the trade and none itself, so that it is needed."""
    real_words = tool("real_words")
    kept = [line for line in real_words.TARGET.read_text(encoding="utf-8").split("\n") if line and line[0] != "#"]
    assert kept == sorted(kept)
    assert real_words.plain_words("Anna\nmother\ndon't\nétude\nmother's\nNATO\n") == {"mother"}
    assert real_words.mistakable(["shock", "zebra", "choke", "sho"], lexicon()) == ["shock"]
    source = tmp_path / "words"
    source.write_text("shock\nzebra\nAnna\n")
    monkeypatch.setattr(real_words, "TARGET", tmp_path / "out")
    quick_lexicon(monkeypatch)
    real_words.main([str(source)])
    assert (tmp_path / "out").read_text(encoding="utf-8").endswith("\nshock\n")
    assert "1 of 2 words" in capsys.readouterr().out
    with pytest.raises(SystemExit):
        real_words.main([])


def test_the_continuous_check_calls_the_test_command():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "python3 tools/test.py" in script
