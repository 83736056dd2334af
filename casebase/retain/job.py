"""Opening a job: its file, its number, its machine, and whether it has been here before."""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import NamedTuple

from casebase.problems import Problem, Refused, did_you_mean, errors, refuse
from casebase.record.case import Case, History, Machine
from casebase.record.casefile import HISTORY_KEYS, MACHINE_KEYS, read
from casebase.record.casetext import write
from casebase.record.edit import LISTS, Changes, alone, change
from casebase.record.folder import read_bytes, require_folder, scan, write_new
from casebase.retrieve.lexicon import Lexicon
from casebase.retrieve.understand import Understood, understand
from casebase.trade.words import FILLERS, words_of

COMEBACK_DAYS = 60
SAME_WORDS = 0.75
"""Share of the words of two complaints that are the same from which on they may be one job written down twice."""

_TITLE, _SLUG, _SLUG_WORDS = 70, 48, 5


class Opened(NamedTuple):
    """A job just opened. `notes` say what could not be read of what was given."""

    case: Case
    path: Path
    notes: tuple[str, ...]


class SeenBefore(NamedTuple):
    """A case that may be the same machine or the same job; `days` since then."""

    case: Case
    days: int


def open_job(folder: Path, complaint: str, lexicon: Lexicon, day: date, *, machine: str = "", tag: str = "",
             title: str = "") -> Opened:
    """Writes the file of a new job, status open, under the next free number of its year.

    Parameters: `complaint` in the owner's words; `machine` in plain words ("string trimmer, two-stroke, 26 cc"),
    needed where the complaint and earlier jobs with the same `tag` do not say what it is.
    Raises `Refused` where no machine can be told, or nothing could be written.
    """
    require_folder(folder)
    complaint, tag, title = (" ".join(text.split()) for text in (complaint, tag, title))
    seen = understand(complaint, lexicon)
    what, notes = read_machine(machine, seen, lexicon)
    earlier = same_tag(folder, tag) if tag and not what.kind else ()
    if earlier:
        what = _filled(what, earlier[-1].machine)
        notes = (*notes, f"machine taken from [{earlier[-1].number}], which has the same tag")
    if not what.kind:
        raise refuse("machine", "the words do not say what machine it is",
                     'add --machine, for example --machine "string trimmer, two-stroke, 26 cc"', field="--machine")
    case = Case(
        id="", title=title or title_of(what.kind, complaint), date=day, machine=what._replace(tag=tag),
        complaint=complaint, status="open", symptoms=seen.symptoms, absent=seen.labels("symptom", "absent"),
        history=History(tried_before=tuple(dict.fromkeys(tried.action for tried in seen.tried))))
    with alone(folder):
        written, path = write_job(folder, case, write(case))
    return Opened(written, path, notes)


def keep(folder: Path, text: str) -> tuple[Case, Path]:
    """Writes the text of a case, such as a draft that was looked over, under the next free number of its year.

    Raises `Refused` with all that is wrong in the text, at its lines.
    """
    require_folder(folder)
    reading = read(text.encode(errors="replace"), "draft", "the text")
    if reading.case is None:
        raise Refused(*errors(reading.problems))
    with alone(folder):
        return write_job(folder, reading.case, text)


def write_job(folder: Path, case: Case, text: str) -> tuple[Case, Path]:
    """Makes the file of a case from its text, named by its day, machine and words. The caller keeps others out."""
    path = folder / f"{next_id(folder, case.date, case.machine.kind, case.complaint)}.md"
    written = read(text.encode(errors="replace"), path.stem, str(path)).case
    if written is None:
        raise refuse("complaint", "the words do not make a case file", "say it in a few plain sentences", field="complaint")
    if not write_new(path, text):
        raise refuse("exists", f"{path} was made by somebody else meanwhile", "try again", usage=False)
    return written, path


def read_machine(words: str, complaint: Understood, lexicon: Lexicon) -> tuple[Machine, tuple[str, ...]]:
    """The machine that plain words name, what they leave open filled in from the complaint; and what was not read.

    A first part the vocabulary does not know is taken as the kind of machine, for there are more than any list has.
    """
    found = _said_machine(complaint, own_words=False)
    unread: list[str] = []
    given = Machine()
    for piece in filter(None, (part.strip() for part in words.split(","))):
        known = _said_machine(understand(piece, lexicon), own_words=True) if words_of(piece) else Machine()
        if known == Machine():
            unread.append(piece)
        given = _filled(given, known)
    notes = []
    if unread and not given.kind and words.strip().startswith(unread[0]):
        given = given._replace(kind=unread.pop(0))
        hint = lexicon.vocabulary.suggestion("machine", given.kind)
        notes.append(f'"{given.kind}" is no machine the vocabulary knows' + (f"; {hint}" if hint else ""))
    notes += [f'not read in --machine: "{piece}"' for piece in unread]
    return _filled(given, found), tuple(notes)


_STARTS = (("electric", re.compile(r"\belectric(?:al)? start", re.IGNORECASE)),
           ("rope", re.compile(r"\b(?:rope|pull|recoil)[ -]?start", re.IGNORECASE)))


def _said_machine(seen: Understood, *, own_words: bool) -> Machine:
    """What a text says of the machine, sizes as typed. In a machine's own words "6 years" is its age."""
    sizes = [reading.text for reading in seen.readings if reading.unit == "cc"]
    ages = [reading.value for reading in seen.readings if reading.unit == "year"]
    aged = ages and (own_words or seen.machine.age_years is not None)
    age = f"{ages[0]:g} year{'' if ages[0] == 1 else 's'}" if aged else ""
    start = next((name for name, pattern in _STARTS if pattern.search(seen.text)), "")
    return Machine(kind=seen.machine.kind, engine=seen.machine.engine, carburettor=seen.machine.carburettor,
                   displacement=sizes[0] if sizes else "", age=age, start=start)


def _filled(machine: Machine, other: Machine) -> Machine:
    return Machine(*(mine or theirs for mine, theirs in zip(machine, other, strict=True)))


def title_of(kind: str, complaint: str) -> str:
    """A title from the machine and the beginning of the complaint."""
    title = f"{kind[:1].upper()}{kind[1:]}:"
    for word in complaint.split(" "):
        if len(title) + len(word) >= _TITLE:
            return title.rstrip(",;:.") + " …"
        title += f" {word}"
    return title.rstrip(".")


def next_id(folder: Path, day: date, kind: str, complaint: str) -> str:
    """Year, the next number of that year and a few words. Files that cannot be read keep their numbers too."""
    year = f"{day.year % 100:02d}"
    taken = [int(match[1]) for name in os.listdir(folder)
             if (match := re.match(rf"{year}-(\d{{3,9}})(?:-|\.|$)", name))]
    words = [kind.split()[-1], *(word for word in words_of(complaint) if word not in FILLERS)]
    slug = ""
    for word in map(_plain, words[:_SLUG_WORDS + 1]):
        if word and len(slug) + len(word) < _SLUG:
            slug += f"-{word}"
    return f"{year}-{max(taken, default=0) + 1:03d}{slug or '-job'}"


def _plain(word: str) -> str:
    """A word with the letters a file name may have on any system."""
    ascii_only = unicodedata.normalize("NFKD", word).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "", ascii_only.lower())


def same_tag(folder: Path, tag: str, but: str = "") -> tuple[Case, ...]:
    """The cases of the machine with this tag, by date. Only files that hold the tag's letters are read as cases."""
    found = []
    for entry in scan(folder).entries:
        data = read_bytes(entry.path)
        if entry.id == but or not isinstance(data, bytes):
            continue
        if tag.casefold() not in data.decode(errors="ignore").casefold():
            continue
        case = read(data, entry.id).case
        if case is not None and case.machine.tag.casefold() == tag.casefold():
            found.append(case)
    return tuple(sorted(found, key=lambda case: (case.date, case.id)))


def comeback_of(folder: Path, case: Case) -> SeenBefore | None:
    """The last job on the same machine, by its tag, if it was at most `COMEBACK_DAYS` before this one."""
    before = [(earlier, (case.date - earlier.date).days) for earlier in same_tag(folder, case.machine.tag, case.id)
              if (earlier.date, earlier.id) < (case.date, case.id)] if case.machine.tag else []
    return SeenBefore(*before[-1]) if before and before[-1][1] <= COMEBACK_DAYS else None


def near_duplicate(case: Case, others: Iterable[Case]) -> SeenBefore | None:
    """A case that may be this very job written down twice: near in time, same machine as far as told, same words."""
    mine = set(words_of(f"{case.complaint}")) - FILLERS
    for other in others:
        theirs = set(words_of(f"{other.complaint}")) - FILLERS
        days = (case.date - other.date).days
        tags = {tag.casefold() for tag in (case.machine.tag, other.machine.tag) if tag}
        shared = len(mine & theirs) / max(1, len(mine | theirs))
        if (other.id != case.id and other.machine.kind == case.machine.kind and len(tags) < 2
                and abs(days) <= COMEBACK_DAYS and shared >= SAME_WORDS):
            return SeenBefore(other, days)
    return None


def load_case(path: Path) -> tuple[Case, bytes]:
    """A case with the bytes it was read from. Raises `Refused` where the file cannot be used."""
    data = read_bytes(path)
    if isinstance(data, Problem):
        raise Refused(data, usage=False)
    reading = read(data, path.stem, str(path))
    if reading.case is None:
        raise Refused(*errors(reading.problems), usage=False)
    return reading.case, data


FIELDS = ("title", "date", "status", "complaint", "outcome", "comeback of", *LISTS,
          *(f"machine.{key}" for key in MACHINE_KEYS),
          *(f"history.{key}" for key in HISTORY_KEYS if key != "tried before"))
"""The fields that `set_field` can change; to the lists among them it adds."""


def set_field(path: Path, field: str, value: str) -> Case:
    """Sets one field of a case file, or adds to it where it is a list, and returns the case as it now is.

    Raises `Refused` for an unknown field, a value it may not have, or a file that cannot be changed safely.
    """
    field, value = " ".join(field.split()).casefold(), " ".join(value.split())
    if field not in FIELDS:
        raise refuse("field", f'"{field}" cannot be set by itself', did_you_mean(field, FIELDS) or "open the file instead: "
                     "casebase edit CASE", field="--field")
    if field in LISTS:
        return change(path, Changes(added={field: (value,)} if value else {}))
    return change(path, Changes(texts={field: value.casefold() if field in ("status", "outcome") else value}))
