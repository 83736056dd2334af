"""The public way in: one object per case folder, used by both faces and by other programs."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path

from casebase.problems import Problem
from casebase.record.case import Case
from casebase.record.casefile import Reading
from casebase.record.folder import find_case, load
from casebase.retrieve.index import Index, Progress, open_index
from casebase.retrieve.understand import Understood, understand
from casebase.reuse.firstanswer import FirstAnswer, first_answer


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

    def understand(self, text: str) -> Understood:
        return understand(text, self.index.lexicon)

    def find(self, text: str, *, limit: int = 6, diverse: bool = True) -> FirstAnswer:
        """Similar cases for a complaint in plain words, what cured them, and the cautions."""
        return first_answer(text, self.index, limit=limit, diverse=diverse)

    def reading(self, reference: str) -> Reading:
        """The case file that `reference` names (see `record.folder.find_case`), with its problems."""
        entry = find_case(self.folder, reference)
        return load(entry.path, entry.id)

    def case(self, case_id: str) -> Case | None:
        """The case with exactly this id, read from its file; None when it cannot be read any more."""
        return load(self.folder / f"{case_id}.md", case_id).case
