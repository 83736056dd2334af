"""Runs `casebase` against the demo folder, setting everything up the first time.

    python3 tools/run.py find "runs only on choke, leaks at bulb"

Makes `.venv` beside this folder if it is missing, installs the project into it, and runs the command. Works
with nothing but Python 3.11 or newer. The next time it starts at once, until `pyproject.toml` changes.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def prepare(extra: str = "") -> Path:
    """The Python of a complete `.venv`, made or renewed if need be. `extra` names an extra to install too."""
    if sys.version_info < (3, 11):  # noqa: UP036 - this file must run to say so
        sys.exit("casebase needs Python 3.11 or newer; this is " + sys.version.split()[0])
    mark = hashlib.sha256((ROOT / "pyproject.toml").read_bytes()).hexdigest()
    stamp = VENV / f"installed{'-' + extra if extra else ''}"
    if not PYTHON.exists() or not stamp.exists() or stamp.read_text() != mark:
        print("Setting up .venv (once; a minute or two) ...", file=sys.stderr)
        if not PYTHON.exists() or not has_pip():
            made = subprocess.run([sys.executable, "-m", "venv", str(VENV)], stdout=sys.stderr.fileno())
            if made.returncode:
                sys.exit("The environment .venv could not be made; the lines above say why.")
        target = f"{ROOT}[{extra}]" if extra else str(ROOT)
        installed = subprocess.run([str(PYTHON), "-m", "pip", "install", "--quiet", "--disable-pip-version-check",
                                    "-e", target], stdout=sys.stderr.fileno())
        if installed.returncode:
            sys.exit("The installation did not work; the lines above say why. It needs the network the first time.")
        # Some machines are told not to write byte code; without it every start would compile the program anew.
        subprocess.run([str(PYTHON), "-m", "compileall", "-q", str(ROOT / "casebase")])
        stamp.write_text(mark)
    return PYTHON


def has_pip() -> bool:
    """False where a set-up was broken off and left a Python alone."""
    return subprocess.run([str(PYTHON), "-c", "import pip"], stderr=subprocess.DEVNULL).returncode == 0


def main() -> None:
    python = str(prepare())
    os.environ.setdefault("CASEBASE_DIR", str(ROOT / "cases"))
    command = [python, "-m", "casebase", *sys.argv[1:]]
    if os.name == "nt":
        sys.exit(subprocess.run(command).returncode)
    os.execv(python, command)


if __name__ == "__main__":
    main()
