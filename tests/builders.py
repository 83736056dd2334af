"""Run as a script: builds the index of a folder in many processes, killing them or letting them race.

    python builders.py kill FOLDER COUNT      SIGKILL at a random moment of a rebuild, then open, COUNT times
    python builders.py race FOLDER COUNT      COUNT processes open a folder without an index at once

Prints what happened as JSON. The vocabulary is compiled once, before the processes part.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from commands import quick_lexicon

from casebase.retrieve.cache import cache_folder
from casebase.retrieve.index import open_index
from casebase.reuse import shapes
from casebase.reuse.firstanswer import first_answer

QUESTION = "runs only on choke, leaks at bulb"


def answer(folder: Path) -> Any:
    return shapes.first_answer(first_answer(QUESTION, open_index(folder)))


def child(work: Callable[[], object]) -> int:
    number = os.fork()
    if number == 0:
        work()
        os._exit(0)
    return number


def kill(folder: Path, count: int) -> dict[str, Any]:
    expected = answer(folder)
    began = time.monotonic()
    open_index(folder, rebuild=True)
    usual = time.monotonic() - began
    chance, killed, wrong = random.Random(7), 0, 0
    for number in range(count):
        if number % 3 == 0:  # a first build, with nothing to fall back on
            shutil.rmtree(cache_folder(folder))
        builder = child(lambda: open_index(folder, rebuild=True))
        time.sleep(chance.uniform(0, 1.1 * usual))
        os.kill(builder, signal.SIGKILL)
        killed += os.WIFSIGNALED(os.waitpid(builder, 0)[1])
        wrong += answer(folder) != expected
    open_index(folder, rebuild=True)
    return {"killed": killed, "wrong": wrong, "left": sorted(path.name for path in cache_folder(folder).iterdir())}


def race(folder: Path, count: int) -> dict[str, Any]:
    results = folder.parent / "results"
    results.mkdir()

    def write(number: int) -> None:
        (results / str(number)).write_text(json.dumps(answer(folder)))

    builders = [child(lambda number=number: write(number)) for number in range(count)]  # type: ignore[misc]
    codes = [os.waitpid(builder, 0)[1] for builder in builders]
    expected = json.dumps(answer(folder))
    return {"failed": sum(map(bool, codes)), "wrong": sum(p.read_text() != expected for p in results.iterdir())}


if __name__ == "__main__":
    with pytest.MonkeyPatch.context() as patch:
        quick_lexicon(patch)
        work = {"kill": kill, "race": race}[sys.argv[1]]
        print(json.dumps(work(Path(sys.argv[2]), int(sys.argv[3]))))
