"""Runs the tests, setting everything up the first time.

    python3 tools/test.py            all of them
    python3 tools/test.py -k wilson  what pytest understands
"""

from __future__ import annotations

import os
import subprocess
import sys

from run import ROOT, prepare


def main() -> None:
    python = prepare("dev")
    os.chdir(ROOT)
    sys.exit(subprocess.run([str(python), "-m", "pytest", *sys.argv[1:]]).returncode)


if __name__ == "__main__":
    main()
