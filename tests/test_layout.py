"""The house rules: what lies where, who may import whom, how long a piece of code may be."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from commands import environment

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "casebase"
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "casebase", "cases", "tests", "tools"}

# The rooms in the order data flows. A module imports from its own room and from those above it.
ROOMS = ("problems", "record", "trade", "retrieve", "reuse", "retain", "exchange", "api", "web", "serve", "cli")
FACES = {"cli", "web"}

# Where each library may be imported: a room, or a single module of it.
HOMES = {
    "yaml": ("record.yamltree",),
    "pint": ("trade.readings",),
    "numpy": ("retrieve", "reuse", "retain"),
    "scipy": ("retrieve",),
    "sklearn": ("retrieve",),
    "snowballstemmer": ("retrieve.text",),
    "rapidfuzz": ("retrieve.lexicon",),
    "platformdirs": ("retrieve.cache",),
    "whoosh": ("retrieve.lookup",),
    "markdown_it": ("reuse.page",),
    "starlette": ("web",),
    "jinja2": ("web.site",),
    "uvicorn": ("serve",),
    "segno": ("serve",),
    "PIL": ("web.photos",),
    "typer": ("cli",),
}
PACKAGES = {"yaml": "PyYAML", "markdown_it": "markdown-it-py", "sklearn": "scikit-learn", "whoosh": "whoosh-reloaded", "PIL": "Pillow"}

# What `find` must not load: it would cost more time than the whole answer.
SLOW = ("sklearn", "scipy", "whoosh", "pint", "markdown_it", "pydantic", "starlette", "jinja2", "uvicorn", "segno", "PIL")

MODULES = sorted(PACKAGE.rglob("*.py"))
ENTRANCES = {"", "__main__"}  # the façade and `python -m casebase`, which lead to the rooms from outside


def name_of(path: Path) -> str:
    """A module's name within the package: "record.case"; "" for the package itself."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imports_of(path: Path) -> Iterator[tuple[str, int]]:
    """Every module a file imports, also inside functions and for type checking, with its line."""
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}:{node.lineno} imports relatively"
            assert node.module is not None
            yield from ((f"{node.module}.{alias.name}", node.lineno) for alias in node.names)


def room_of(imported: str) -> str:
    """The room of an imported name of the package; "" for what the package itself defines."""
    name = imported.removeprefix("casebase").removeprefix(".").split(".")[0]
    if name == "CaseBase":
        return "api"
    return "" if name.startswith("__") else name


def test_top_level():
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"], cwd=ROOT, capture_output=True, text=True
    )
    if listed.returncode:
        pytest.skip("not a git working tree")
    names = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {name for name in names if name[0] != "." and (ROOT / name).exists()} == TOP


def test_every_module_has_a_room():
    assert {name_of(path).split(".")[0] for path in MODULES} - ENTRANCES <= set(ROOMS)


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_imports_only_from_rooms_above(path):
    room = name_of(path).split(".")[0]
    if room in ENTRANCES:
        return
    for imported, line in imports_of(path):
        if imported.split(".")[0] != "casebase" or not room_of(imported):
            continue
        other = room_of(imported)
        assert ROOMS.index(other) <= ROOMS.index(room), f"{path.name}:{line} imports {imported} from below"
        assert not ({room, other} <= FACES and room != other), f"{path.name}:{line}: one face imports the other"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_each_library_has_one_home(path):
    name = name_of(path)
    for imported, line in imports_of(path):
        library = imported.split(".")[0]
        if library == "casebase" or library in sys.stdlib_module_names:
            continue
        homes = HOMES.get(library, ())
        assert any(name == home or name.startswith(home + ".") for home in homes), (
            f"{path.name}:{line} imports {library}, whose home is {' or '.join(homes) or 'not named here'}"
        )


def test_libraries_are_declared():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = {re.split(r"[^\w-]", line)[0].lower() for line in project["dependencies"]}
    used = {imported.split(".")[0] for path in MODULES for imported, _line in imports_of(path)}
    needed = {PACKAGES.get(library, library).lower() for library in used & HOMES.keys()}
    assert needed <= declared


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_modules_and_functions_stay_short(path):
    assert path.read_text(encoding="utf-8").count("\n") <= 400
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            assert node.end_lineno is not None
            assert node.end_lineno - node.lineno < 50, f"{path.name}: {node.name} is too long"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_modules_say_what_they_are(path):
    if tree_of(path).body:
        assert ast.get_docstring(tree_of(path))


def test_find_loads_nothing_slow(tmp_path):
    """The second `find` on a folder; the first one builds the index and may load what it likes."""
    script = (
        "import sys\nfrom casebase.cli.main import run\nsys.argv[1:] = ['find', 'runs only on choke']\n"
        "try:\n    run()\nfinally:\n    print('LOADED', *sys.modules)"
    )
    env = environment(CASEBASE_DIR=ROOT / "cases", XDG_CACHE_HOME=tmp_path)
    for _time in range(2):
        done = subprocess.run([sys.executable, "-c", script], env=env, capture_output=True, text=True, check=True)
    assert "Like this one" in done.stdout
    loaded = {name.split(".")[0] for name in done.stdout.rpartition("LOADED")[2].split()}
    assert {"casebase", "numpy", "typer"} <= loaded
    assert not loaded & set(SLOW)
