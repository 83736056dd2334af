"""Running the command line: in this process, which is quick, or as a process of its own, which is the real thing."""

from __future__ import annotations

import fcntl
import io
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from small_folders import lexicon

from casebase.cli.main import run
from casebase.retain import storylearned
from casebase.retrieve import likely, training
from casebase.retrieve.learned import Learned
from casebase.retrieve.lexicon import Lexicon
from casebase.trade.terms import Vocabulary, package_vocabulary

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "cases"


@dataclass(frozen=True)
class Done:
    """How a command ended."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


def quick_lexicon(patch: pytest.MonkeyPatch) -> None:
    """Lets every index built in this test share one compiled vocabulary; a folder's own is still compiled."""
    compile_anew, compiled = Lexicon.build, lexicon()

    def build(vocabulary: Vocabulary) -> Lexicon:
        return compiled if vocabulary is package_vocabulary() else compile_anew(vocabulary)

    def as_json(self: Lexicon) -> dict[str, Any]:
        return _packed() if self is compiled else _pack(self)

    patch.setattr(training, "fit", _fit_once)
    patch.setattr(Lexicon, "build", build)
    patch.setattr(Lexicon, "as_json", as_json)


@cache
def _fitted(samples: tuple[training.Sample, ...]) -> Learned | None:
    return _fit(samples)


def _fit_once(samples: Iterable[training.Sample]) -> Learned | None:
    """The same cases teach the same, so they are learned from once."""
    return _fitted(tuple(sorted(samples, key=repr)))


_fit = training.fit
_pack = Lexicon.as_json


@cache
def _packed() -> dict[str, Any]:
    return _pack(lexicon())


_learned: list[Path] = []  # the cache that holds what was learned of examples, once it does


def learn_once(folder: Path) -> None:
    """Learns from the examples of `trade/data` in a cache that all workers of a test run share; it takes half a minute."""
    cache_ = folder / "learned"
    with open(folder / "learning", "w") as lock, pytest.MonkeyPatch.context() as patch:
        fcntl.flock(lock, fcntl.LOCK_EX)
        patch.setenv("XDG_CACHE_HOME", str(cache_))
        if not cache_.exists():
            likely.learned.__wrapped__()
            for subject in storylearned.SUBJECTS:
                storylearned.learned.__wrapped__(subject)
    _learned.append(cache_)


def put_what_was_learned(cache_: Path) -> None:
    """Spares who uses this cache the learning."""
    (cache_ / "casebase").mkdir(parents=True, exist_ok=True, mode=0o700)
    for path in (path for learned in _learned for path in learned.glob("casebase/sayings-*")):
        with suppress(FileExistsError):
            (cache_ / "casebase" / path.name).hardlink_to(path)


def environment(**changes: object) -> dict[str, str]:
    """The environment for a process that finds this package; None removes a variable."""
    base = {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "COLUMNS": "100"}
    env = {**os.environ, **base, **{name: str(value) for name, value in changes.items()}}
    env = {name: value for name, value in env.items() if name not in changes or changes[name] is not None}
    with suppress(OSError, KeyError):  # where nothing can be kept
        put_what_was_learned(Path(env["XDG_CACHE_HOME"]))
    return env


def process(*args: str | bytes, cwd: Path = ROOT, env: Mapping[str, object] | None = None) -> Done:
    """`casebase ARGS` as a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "casebase", *args], cwd=cwd, env=environment(**(env or {})), capture_output=True
    )
    return Done(done.returncode, done.stdout.decode("utf-8"), done.stderr.decode("utf-8"))


def casebase(*args: str) -> Done:
    """`casebase ARGS` in this process, with streams that are no terminal."""
    code = 0
    with _streams() as (out, err), pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "argv", ["casebase", *args])
        patch.setenv("COLUMNS", os.environ.get("COLUMNS", "100"))
        try:
            run()
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else 0 if end.code is None else 1
    return Done(code, _text(out), _text(err))


@contextmanager
def _streams() -> Iterator[tuple[io.TextIOWrapper, io.TextIOWrapper]]:
    before = sys.stdout, sys.stderr
    streams = io.TextIOWrapper(io.BytesIO(), encoding="utf-8"), io.TextIOWrapper(io.BytesIO(), encoding="utf-8")
    sys.stdout, sys.stderr = streams
    try:
        yield streams
    finally:
        sys.stdout, sys.stderr = before


def _text(stream: io.TextIOWrapper) -> str:
    stream.flush()
    stream.seek(0)
    return stream.read()


def copy_of_demo(place: Path, count: int | None = None) -> Path:
    """The demo cases, all or the first so many, in a folder of their own."""
    folder = place / "cases"
    folder.mkdir()
    for path in sorted(DEMO.glob("*.md"))[:count]:
        shutil.copy(path, folder)
    shutil.copy(DEMO / "casebase.toml", folder)
    return folder
