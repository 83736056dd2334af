"""The command that turns free notes into a case for a person to finish."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from casebase.cli.frame import day_of, person_errors, print_json
from casebase.cli.main import AsJson, Cases, app, open_base
from casebase.cli.outgoing import hand_out
from casebase.cli.paper import Paper

MAX_BYTES = 100_000


@app.command()
@person_errors
def draft(
    notes: Annotated[Path | None, typer.Argument(metavar="NOTES", help="A text file; - or nothing reads what is piped "
                                                 "in.")] = None,
    day: Annotated[str, typer.Option("--date", help="Day of the job, such as 2026-04-18 (default: today).")] = "",
    title: Annotated[str, typer.Option(help="Title of the case (default: made from the notes).")] = "",
    into: Annotated[Path | None, typer.Option("--into", metavar="FILE", help="Write to a new file instead of the "
                                              "screen.")] = None,
    cases: Cases = None,
    as_json: AsJson = False,
) -> None:
    """Turn spoken or scribbled notes into a case file to look over; unsure entries carry their sentence.

    Example: casebase draft notes.txt --title "Saw floods"
    """
    from casebase.retain.draftfile import as_file
    from casebase.retain.draftfile import as_json as shape

    when = day_of(day)
    text = words_of(notes)
    found = open_base(cases).draft(text)
    if as_json:
        print_json(shape(found))
    else:
        hand_out(as_file(found, when, title=title), into)
        _nothing_from(found.unread)


def _nothing_from(sentences: Sequence[str]) -> None:
    """Says beside the file, not in it, which sentences gave nothing: what is missing may stand there."""
    paper = Paper(sys.stderr)
    if sentences:
        paper.line("nothing was read from", style="strong")
    for sentence in sentences:
        paper.line(f'"{sentence}"', indent=2, hang=1)


def words_of(notes: Path | None) -> str:
    """The text of a file or of standard input. Raises `Refused` for what cannot be read as text."""
    from casebase.problems import refuse

    try:
        if notes is None or str(notes) == "-":
            data = sys.stdin.buffer.read(MAX_BYTES + 1)
        else:
            with open(notes, "rb") as file:
                data = file.read(MAX_BYTES + 1)
        if len(data) > MAX_BYTES:
            raise refuse("too-long", f"the notes are longer than {MAX_BYTES:,} bytes", "give one job at a time", field="NOTES")
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise refuse("encoding", f"the notes are not UTF-8 text (byte {error.start})", "save them as UTF-8",
                     field="NOTES") from error
    except OSError as error:
        raise refuse("unreadable", f"{notes} cannot be read ({error.strerror})", "check the path", field="NOTES") from error
