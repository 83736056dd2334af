"""What stands around every command: the streams, the errors of persons, notes, JSON."""

from __future__ import annotations

import functools
import io
import json
import os
import re
import sys
from collections.abc import Callable, Iterable
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import Any, ParamSpec, TextIO, TypeVar

import typer

from casebase.problems import Problem, Refused, errors, refuse, visible

P = ParamSpec("P")
R = TypeVar("R")


def person_errors(command: Callable[P, R]) -> Callable[P, R]:
    """Turns what a person got wrong into sentences on the error stream and the right exit code."""

    @functools.wraps(command)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            done = command(*args, **kwargs)
            sys.stdout.flush()
            return done
        except Refused as refused:
            for problem in refused.problems:
                print(problem, file=sys.stderr)
            raise typer.Exit(2 if refused.usage else 1) from None
        except BrokenPipeError:
            # The reader went away (`| head`): nothing is wrong, and nothing more can be said.
            turn_away(sys.stdout)
            raise typer.Exit(0) from None

    return wrapped


def turn_away(stream: TextIO) -> None:
    """Sends what a stream still holds, and all that comes, nowhere."""
    with suppress(OSError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def say(notes: Iterable[str]) -> None:
    for note in notes:
        print(f"note: {visible(note)}", file=sys.stderr)


def mention(problems: Iterable[Problem]) -> None:
    """Says that some files could not be used, without hiding the answer behind them."""
    broken = {problem.file for problem in errors(problems)}
    if broken:
        names = ", ".join(visible(Path(file).name) for file in sorted(broken)[:3]) + (" …" if len(broken) > 3 else "")
        print(f"note: {len(broken)} file{'s' if len(broken) > 1 else ''} could not be used ({names}); "
              "casebase lint says where and why", file=sys.stderr)


def print_json(data: Any) -> None:
    """Prints JSON that reads well and in which no control character of others stands as itself."""
    text = json.dumps(data, ensure_ascii=False, indent=2)
    print(re.sub(r"[^\n -~]", lambda char: char[0] if char[0].isprintable() else json.dumps(char[0])[1:-1], text))


def nowhere() -> TextIO:
    return os.fdopen(os.open(os.devnull, os.O_WRONLY), "w")


def guarded(program: Callable[..., Any]) -> None:
    """Runs a program so that neither wrong words, a closed stream nor a full disk ends in a traceback."""
    # A stream that was closed before the start (`>&-`) is None.
    sys.stdout, sys.stderr = sys.stdout or nowhere(), sys.stderr or nowhere()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    try:
        try:
            code = program(standalone_mode=False)
        finally:
            sys.stdout.flush()
    except OSError as error:
        turn_away(sys.stdout)
        if not isinstance(error, BrokenPipeError):
            what = visible(str(error.filename or "the answer"))
            print(f"{what} cannot be read or written ({error.strerror})", file=sys.stderr)
        code = 0 if isinstance(error, BrokenPipeError) else 1
    except typer.Abort:
        code = 130
    except Exception as error:
        code = wrong_usage(error)
    sys.exit(code)


def wrong_usage(error: Any) -> int:
    """Says what typer found wrong with the arguments; unlike typer itself, never repeats control characters."""
    if not hasattr(error, "format_message"):
        raise error
    if error.ctx is not None:
        path = error.ctx.command_path
        print(f"{error.ctx.get_usage()}\nTry '{path} --help' for help.\n", file=sys.stderr)
    print(f"Error: {visible(error.format_message(), keep_newlines=True)}", file=sys.stderr)
    return int(error.exit_code)


def day_of(words: str) -> date:
    """A day as given, today where nothing is given. Raises `Refused` for what is no day."""
    try:
        return date.fromisoformat(words) if words else date.today()
    except ValueError:
        raise refuse("date", f'"{words}" is not a day', "write it as 2026-04-18", field="--date") from None
