"""The public way in: one object per case folder, used by both faces and by other programs."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from casebase.problems import Problem, Refused, errors, refuse
from casebase.record.case import Case
from casebase.record.casefile import Reading
from casebase.record.folder import find_case, id_problem, load
from casebase.retrieve.index import Index, Progress, open_index
from casebase.retrieve.likely import question
from casebase.retrieve.rank import Match, rank
from casebase.retrieve.understand import Understood, without
from casebase.reuse.evidence import kernel
from casebase.reuse.firstanswer import FirstAnswer, first_answer

# What is meant as a job and not as words: a number, or an id that begins with one.
JOB_NAME = re.compile(r"\d+|\d\d-\d{3,}[A-Za-z0-9._-]*")

if TYPE_CHECKING:
    from casebase.retain.draft import Draft
    from casebase.retain.evaluate import Quality, Rounds
    from casebase.retain.followup import Due, Durability, Recorded
    from casebase.retain.job import SeenBefore
    from casebase.retain.jobclose import Answers
    from casebase.retain.overview import Listed, Overview
    from casebase.retain.stepline import Given, LineRead
    from casebase.retain.textruns import CollectionQuality
    from casebase.retain.tune import Tuned
    from casebase.retrieve.lookup import LookUp
    from casebase.reuse.answer import Reply
    from casebase.reuse.nextcheck import Known, NextStep, Profile
    from casebase.reuse.page import Page
    from casebase.reuse.reading import ReadingAnswer
    from casebase.reuse.weigh import Replacement, Weighing


class JobFile(NamedTuple):
    """A job with its file and the bytes it was read from, by which a change made meanwhile is noticed."""

    case: Case
    path: Path
    seen: bytes


class Opened(NamedTuple):
    """A job just opened, what the record says of it, and the earlier jobs it may belong to."""

    case: Case
    path: Path
    notes: tuple[str, ...]
    answer: FirstAnswer
    step: NextStep
    comeback: SeenBefore | None
    twin: SeenBefore | None


class Finished(NamedTuple):
    """A job just closed. `problems` are those of its file."""

    case: Case
    remarks: tuple[str, ...]
    twin: SeenBefore | None
    problems: tuple[Problem, ...]


class CaseBase:
    """A case folder with its index. The index is opened at first use and is a picture of that moment.

    Every method raises `casebase.problems.Refused` for a request that cannot be carried out.
    """

    def __init__(self, folder: str | Path, progress: Progress | None = None) -> None:
        self.folder = Path(folder)
        self._progress = progress

    @cached_property
    def index(self) -> Index:
        return open_index(self.folder, self._progress)

    def rebuild(self) -> Index:
        """Builds the index from nothing and returns it."""
        self.__dict__["index"] = open_index(self.folder, self._progress, rebuild=True)
        return self.index

    @property
    def problems(self) -> tuple[Problem, ...]:
        """All that is wrong with the folder's files."""
        return self.index.problems

    def understand(self, text: str, wrong: Sequence[str] = ()) -> Understood:
        """What is read in a text, without what is named in `wrong`."""
        return without(question(text, self.index.lexicon), wrong)

    def find(self, text: str | Understood, *, limit: int = 6, diverse: bool = True, wrong: Sequence[str] = ()) -> FirstAnswer:
        """Similar cases for a complaint in plain words, what cured them, and the cautions."""
        return first_answer(text, self.index, limit=limit, diverse=diverse, wrong=wrong)

    def look_up(self, query: str, limit: int = 20) -> LookUp:
        """The cases that hold these very words; see `retrieve.lookup`."""
        from casebase.retrieve.lookup import look_up

        return look_up(self.folder, query, limit, self._progress)

    def overview(self) -> Overview:
        """The shop in plain counts."""
        from casebase.retain.overview import overview

        return overview(self.index)

    def listed(self, *, open_only: bool = False) -> tuple[Listed, ...]:
        """Every case that counts as a list shows it, newest first."""
        from casebase.retain.overview import listed

        return listed(self.index, open_only=open_only)

    def next_step(self, words: str, known: Known | None = None, *, profile: Profile = "bench",
                  limit: int = 5, wrong: Sequence[str] = ()) -> NextStep:
        """What to check or do next for a complaint in plain words, given what is known of this machine."""
        from casebase.reuse.nextcheck import Known, next_step

        return next_step(self.understand(words, wrong), self.index, known or Known(), profile=profile, limit=limit)

    def next_after(self, answer: FirstAnswer, *, limit: int = 5) -> NextStep:
        """What to check or do next for a complaint that was just answered; its similar cases are not sought again."""
        from casebase.reuse.nextcheck import next_step

        return next_step(answer.question, self.index, limit=limit, ranking=answer.ranking)

    def alike(self, job: Case, limit: int = 5) -> tuple[Match, ...]:
        """The cases most like another one, which is not among them; none for a complaint without words."""
        words = f"{job.complaint}. {'. '.join(job.symptoms)}. {job.machine.kind}"
        if not any(char.isalnum() for char in words):
            return ()
        found = rank(self.understand(words), self.index, limit=limit + 1).shown
        return tuple(match for match in found if match.id != job.id and kernel(match.score) > 0)[:limit]

    def next_step_of(self, job: Case, more: Known | None = None, *, profile: Profile = "bench",
                     limit: int = 5) -> NextStep:
        """What to check or do next on a job, given its steps so far and what is known beyond them."""
        from casebase.reuse.jobstate import question_of
        from casebase.reuse.nextcheck import Known, next_step

        question, known = question_of(job, self.index.lexicon)
        if more is not None:
            known = Known((*known.answers, *more.answers), (*known.failed, *more.failed))
        return next_step(question, self.index, known, profile=profile, limit=limit)

    def weigh(self, fixes: Sequence[str], complaint: str = "", *, otherwise: float = 0.0,
              replacement: Replacement | None = None) -> Weighing:
        """Which of the named fixes in which order, when to stop, and whether to repair at all."""
        from casebase.reuse.weigh import read_given, weigh

        return weigh([read_given(fix) for fix in fixes], complaint, self.index, otherwise=otherwise,
                     replacement=replacement)

    def in_context(self, check: str, value: str, *, engine: str = "", machine: str = "") -> ReadingAnswer:
        """A reading held against typical limits and the shop's own record."""
        from casebase.reuse.reading import in_context

        return in_context(check, value, self.index, engine=engine, machine=machine)

    def draft(self, notes: str) -> Draft:
        """What free notes tell of a job, each entry with its sentence. Raises `Refused` for notes without words."""
        from casebase.retain.draft import draft

        return draft(notes, self.index.lexicon)

    def answer(self, question: str) -> Reply:
        """A reply to a stranger's question, from evidence; see `reuse.answer`."""
        from casebase.reuse.answer import reply

        return reply(question, self.index)

    def sheet(self, reference: str) -> Page:
        """The owner's hand-over sheet of the job that `reference` names; it holds the private part."""
        from casebase.reuse.sheet import sheet

        return sheet(usable(self.reading(reference)), self.index.settings, self.index.lexicon.vocabulary)

    # A job as it happens. Each of these writes one file; the index takes it in when it is opened anew.

    def reopen(self) -> None:
        """Lets the next question see the files as they are by then."""
        self.__dict__.pop("index", None)

    def open_job(self, complaint: str, day: date, *, machine: str = "", tag: str = "", title: str = "") -> Opened:
        """Writes the file of a new job and says what the record knows of such complaints; see `retain.job`."""
        from casebase.retain import job

        answer = self.find(f"{complaint}. {machine}" if machine else complaint)
        made = job.open_job(self.folder, complaint, self.index.lexicon, day, machine=machine, tag=tag, title=title)
        return Opened(made.case, made.path, made.notes, answer, self.next_step_of(made.case),
                      job.comeback_of(self.folder, made.case), self._twin(made.case))

    def job_file(self, reference: str) -> JobFile:
        """The job that `reference` names, to be changed."""
        from casebase.retain.job import load_case

        path = find_case(self.folder, reference).path
        case, seen = load_case(path)
        return JobFile(case, path, seen)

    def read_line(self, job: JobFile, line: str, given: Given | None = None) -> LineRead:
        """How a line, and what is said beside it, reads as the next step of a job; nothing is written."""
        from casebase.retain.stepline import Given, read_line

        return read_line(line, job.case, self.index.lexicon, given or Given())

    def log(self, job: JobFile, read: LineRead, *, guarded: bool = False) -> Case:
        """Adds the step that was read. `guarded`: only if the file is still the one the line was read for."""
        from casebase.record.edit import add_step

        if read.step is None:
            raise Refused(*read.problems)
        return add_step(job.path, read.step, job.seen if guarded else None)

    def finish(self, job: JobFile, answers: Answers, ask: Callable[[str], str] | None = None) -> Finished:
        """Closes a job from what is said in `answers`, and asked for; refused with all that is missing.

        Where it is a comeback of an earlier job, that job's file gets the news.
        """
        from casebase.record.edit import change
        from casebase.retain.followup import tell_earlier
        from casebase.retain.job import comeback_of
        from casebase.retain.jobclose import close

        before = comeback_of(self.folder, job.case)
        closing = close(job.case, self.index.lexicon.vocabulary, answers, ask, before)
        twin = self._twin(job.case)
        case = change(job.path, closing.changes, job.seen)
        remarks = (*closing.remarks, *tell_earlier(self.folder, case, self.index.lexicon))
        return Finished(case, remarks, twin, self.problems_of(job.path))

    def set_field(self, job: JobFile, field: str, value: str) -> Case:
        """Sets one field of a job's file, or adds to it where it is a list."""
        from casebase.retain.job import set_field

        return set_field(job.path, field, value)

    def keep(self, text: str) -> tuple[Case, Path]:
        """Writes the text of a case as a new file, such as a draft that was looked over."""
        from casebase.retain.job import keep

        return keep(self.folder, text)

    def problems_of(self, path: Path) -> tuple[Problem, ...]:
        """What is wrong with one file as it is now. The index is opened anew and takes the file in."""
        self.reopen()
        return tuple(problem for problem in self.problems if Path(problem.file).name == path.name)

    def _twin(self, case: Case) -> SeenBefore | None:
        """A case that may be this very job written down twice, sought among those with the most alike complaint."""
        from casebase.retain.job import near_duplicate

        if not any(char.isalnum() for char in case.complaint):
            return None
        near = self.find(case.complaint, limit=12, diverse=False).ranking.shown
        return near_duplicate(case, filter(None, (self.case(match.id) for match in near)))

    # After the job.

    def cases(self, progress: Rounds | None = None) -> list[Case]:
        """Every case that counts, read from its file, by id."""
        names = [self.index.id(position) for position in self.index.positions()]
        found = map(self.case, progress(names, len(names), "reading cases") if progress else names)
        return [case for case in found if case is not None]

    def due(self, day: date, progress: Rounds | None = None) -> tuple[Due, ...]:
        """Whom to ask whether the cure held, those due longest first."""
        from casebase.retain.followup import to_ask

        return to_ask(self.cases(progress), self.index.lexicon, day)

    def durability(self, day: date, progress: Rounds | None = None) -> tuple[Durability, ...]:
        """How long each fix holds, as far as news tell."""
        from casebase.retain.followup import durability

        return durability(self.cases(progress), self.index.lexicon, day)

    def record_news(self, reference: str, words: str, day: date, today: date, *, new_case: bool = True) -> Recorded:
        """Writes a reply down; "came back" opens a linked job unless `new_case` is False."""
        from casebase.retain.followup import record

        return record(self.folder, reference, words, day, today=today, new_case=new_case)

    def complaints(self) -> dict[str, str]:
        """The complaint of every case that counts, read from the files, by id."""
        found = dict.fromkeys(map(self.index.id, self.index.positions()), "")  # also of a file gone meanwhile
        found.update((case.id, case.complaint) for case in self.cases())
        return found

    def tune(self, progress: Rounds | None = None) -> Tuned:
        """Learns the weights of the similarity from these cases and keeps them beside the index."""
        from casebase.retain.tune import tune
        from casebase.retrieve.cache import writable_cache
        from casebase.retrieve.weights import save_weights

        tuned = tune(self.index, self.complaints(), progress)
        place, notes = writable_cache(self.folder)
        if place is None:
            raise refuse("cache", notes[0], "make it writable, or set XDG_CACHE_HOME", usage=False)
        save_weights(place, tuned.weights)
        return tuned

    def job(self, reference: str) -> tuple[Case | None, Path | None]:
        """The case and file that `reference` names by number or id; (None, None) where it is words instead.

        Raises `Refused` when the named file cannot be used.
        """
        if not JOB_NAME.fullmatch(reference.strip()):
            return None, None
        entry = find_case(self.folder, reference.strip())
        return usable(load(entry.path, entry.id)), entry.path

    def reading(self, reference: str) -> Reading:
        """The case file that `reference` names (see `record.folder.find_case`), with its problems."""
        entry = find_case(self.folder, reference)
        return load(entry.path, entry.id)

    def case(self, case_id: str) -> Case | None:
        """The case with exactly this id, read from its file; None when there is none that can be read."""
        if id_problem(case_id):  # no id, but perhaps a path that leads out of the folder
            return None
        return load(self.folder / f"{case_id}.md", case_id).case


def usable(reading: Reading) -> Case:
    """The case of a file. Raises `Refused` with what is wrong where the file holds none that can be used."""
    if reading.case is None:
        raise Refused(*errors(reading.problems), usage=False)
    return reading.case


def measure_records(file: Path, *, english_only: bool = False,
                    progress: Rounds | None = None) -> tuple[Quality, tuple[Problem, ...]]:
    """Retrieval quality on the records of a file in the Open Repair Data Standard, and what is wrong with its rows.

    Raises `Refused` for a file that cannot be read or has nothing to measure.
    """
    from casebase.exchange.openrepair import labelled_records
    from casebase.retain.evaluate import evaluate
    from casebase.retrieve.digest import digest
    from casebase.retrieve.index import in_memory
    from casebase.retrieve.lexicon import Lexicon
    from casebase.trade.terms import package_vocabulary

    records = labelled_records(file, english_only=english_only)
    lexicon = Lexicon.build(package_vocabulary())
    cases = progress(records.cases, len(records.cases), "reading") if progress else records.cases
    index = in_memory([digest(case, lexicon) for case in cases], lexicon)
    return evaluate(index, {case.id: case.complaint for case in records.cases}, progress), records.problems


def measure_collection(folder: Path, progress: Rounds | None = None) -> CollectionQuality:
    """Quality of the text score on a text collection. Raises `Refused` naming every wrong line."""
    from casebase.exchange.collection import read_collection
    from casebase.retain.textruns import evaluate_texts
    from casebase.retrieve.lexicon import Lexicon
    from casebase.trade.terms import package_vocabulary

    found = read_collection(folder)
    return evaluate_texts(found.documents, found.queries, found.judgements, found.excluded,
                          Lexicon.build(package_vocabulary()), progress)
