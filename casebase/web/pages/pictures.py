"""Photographs from the phone's camera, attached to a step of a job."""

from __future__ import annotations

from starlette.responses import Response

from casebase.problems import refuse
from casebase.web import photos
from casebase.web.denied import Denied
from casebase.web.site import Page, Visit


def attach(visit: Visit) -> Response:
    upload, step = visit.form.files.get("photo"), visit.form.get("step") or "0"
    if upload is None or not upload.data:
        raise refuse("picture", "no photograph was chosen", "take one, or choose one, then send it")
    job = visit.base.job_file(visit.parts["reference"])
    if not step.isdecimal() or int(step) > len(job.case.steps):
        raise refuse("step", f"there is no step {step}", "0 stands for the whole job")
    photos.add(visit.site.held.folder, job.case.id, int(step), upload.data)
    return visit.go(f"/job/{job.case.id}" if job.case.status == "open" else f"/case/{job.case.id}")


def picture(visit: Visit) -> Response:
    case = visit.base.job_file(visit.parts["reference"]).case
    data = photos.read(visit.site.held.folder, case.id, visit.parts["name"])
    if data is None:
        raise Denied(404, "There is no such photograph", "It may have been removed from the folder.")
    return Response(data, media_type="image/jpeg", headers={"Cache-Control": "private, max-age=86400"})


PAGES: dict[str, Page] = {"POST /job/{reference}/photo": attach, "GET /photo/{reference}/{name}": picture}
