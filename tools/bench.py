"""Speed and memory as ratios measured in one run, because machines differ and are noisy.

    python3 tools/bench.py                 on the demo cases and on 10,000 invented records
    python3 tools/bench.py --cases 50000   another size

Each figure is the smallest of several runs, taken in turns with what it is compared to.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from run import ROOT, prepare

QUESTION = "runs only on choke, leaks at bulb"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=10_000, help="how many records the large folder holds")
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if not options.inside:
        python = prepare()
        sys.exit(subprocess.run([str(python), __file__, "--inside", "--cases", str(options.cases)]).returncode)
    whole_process()
    large_folder(options.cases)


def whole_process() -> None:
    """The whole `find` command against importing two libraries it cannot do without."""
    find = [sys.executable, "-m", "casebase", "find", QUESTION, "--cases", str(ROOT / "cases")]
    base = [sys.executable, "-c", "import typer, numpy"]
    # Byte code as an installation has it: some machines are told not to write it, and a changed file would be compiled anew
    # at every start.
    subprocess.run([sys.executable, "-m", "compileall", "-q", str(ROOT / "casebase")], check=True)
    subprocess.run(find, stdout=subprocess.DEVNULL, check=True)  # builds the index
    times = in_turns([lambda: run(find), lambda: run(base)], rounds=15)
    print(f"find on the demo cases, whole process: {times[0]:.3f} s = {times[0] / times[1]:.2f} × import typer, numpy")


def run(command: Sequence[str]) -> None:
    subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True)


def in_turns(jobs: Sequence[Callable[[], object]], rounds: int) -> list[float]:
    """The smallest time of each job, in seconds; the jobs take turns so that noise meets all of them."""
    best = [float("inf")] * len(jobs)
    for _round in range(rounds):
        for number, job in enumerate(jobs):
            began = time.perf_counter()
            job()
            best[number] = min(best[number], time.perf_counter() - began)
    return best


def large_folder(count: int) -> None:
    """Indexing and asking a folder of `count` records mixed from the words of the demo cases."""
    from casebase import CaseBase
    from casebase.record.casetext import write
    from casebase.record.folder import load_all

    with tempfile.TemporaryDirectory() as place:
        os.environ["XDG_CACHE_HOME"] = place
        folder = Path(place) / "many"
        folder.mkdir()
        began = time.perf_counter()
        for name, text in mixed(load_all(ROOT / "cases")[0], count, write):
            (folder / name).write_text(text, encoding="utf-8")
        wrote = time.perf_counter() - began
        began = time.perf_counter()
        base = CaseBase(folder)
        built = base.rebuild().size
        index_time = time.perf_counter() - began
        ask, reopen = in_turns([lambda: base.find(QUESTION), lambda: CaseBase(folder).index], rounds=10)
        edited = next(folder.glob("*.md"))
        edited.write_text(edited.read_text(encoding="utf-8") + "\nOne more line.\n", encoding="utf-8")
        began = time.perf_counter()
        CaseBase(folder).find(QUESTION)
        after_edit = time.perf_counter() - began
        stored = sum(file.stat().st_size for file in Path(place, "casebase").rglob("*") if file.is_file())
        print(f"{built:,} cases: index {index_time:.1f} s = {index_time / wrote:.1f} × writing them; "
              f"open {reopen * 1000:.0f} ms; ask {ask * 1000:.1f} ms; ask after an edit {after_edit * 1000:.0f} ms = "
              f"{after_edit / index_time:.3f} × a full build")
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"stored {stored / built / 1024:.2f} KB a case; peak memory {peak:.0f} MB")


def mixed(cases: list, count: int, write: Callable[..., str]):  # type: ignore[type-arg, no-untyped-def]
    """`count` cases, each a demo case with the complaint of another: invented, but with the trade's words."""
    from dataclasses import replace

    chance = random.Random(1)
    for number in range(count):
        case, other = chance.choice(cases), chance.choice(cases)
        case = replace(case, id=f"90-{number:06d}-mixed", complaint=f"{case.complaint} {other.complaint}", private=(),
                       comeback_of="")
        yield f"{case.id}.md", write(case)


if __name__ == "__main__":
    main()
