"""Everything a change must pass, in one go: lint, types, tests, coverage.

    python3 tools/check.py
"""

from __future__ import annotations

import os
import subprocess
import sys

from run import ROOT, prepare

COVERED = ("casebase/record/*", "casebase/reuse/*")
COVERAGE = 95


def main() -> None:
    python = str(prepare("dev"))
    os.chdir(ROOT)
    steps = [
        [python, "-m", "ruff", "check", "."],
        [python, "-m", "mypy"],
        [python, "-m", "pytest", "--cov", "--cov-report="],
        [python, "-m", "coverage", "report", f"--include={','.join(COVERED)}", f"--fail-under={COVERAGE}"],
    ]
    failed = [step for step in steps if subprocess.run(step).returncode]
    for step in failed:
        print("failed:", " ".join(step[2:]), file=sys.stderr)
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
