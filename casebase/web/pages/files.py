"""What is wrong with the files of the folder: the place and the remedy of each."""

from __future__ import annotations

from pathlib import Path

from starlette.responses import Response

from casebase.problems import errors
from casebase.record.folder import in_file
from casebase.web.site import Page, Visit

MOST_FILES = 60


def problems(visit: Visit) -> Response:
    base = visit.base
    found = base.problems
    grouped = [(Path(file).name, group) for file, group in in_file(found).items()]
    # Files that cannot be used come first.
    grouped.sort(key=lambda item: (not errors(item[1]), item[0]))
    return visit.page("files.html", files=grouped[:MOST_FILES], more=max(0, len(grouped) - MOST_FILES),
                      broken=len({problem.file for problem in errors(found)}), total=len(found), cases=base.index.size)


PAGES: dict[str, Page] = {"GET /problems": problems}
