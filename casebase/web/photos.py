"""Photographs of a job: made small and plain, kept beside the cases by job and step.

What a camera writes along (the place, the time, its own name) is not kept: each picture is decoded and drawn anew.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Mapping
from pathlib import Path

from PIL import Image, ImageOps, UnidentifiedImageError

from casebase.problems import refuse
from casebase.record.folder import write_new_bytes

PLACE = "photographs"
MOST_PIXELS = 60_000_000
LONGEST, QUALITY = 1600, 80
MOST_OF_A_JOB = 60
_NAME = re.compile(r"(\d{1,3})-(\d{1,2})\.jpg")


def plain(data: bytes) -> bytes:
    """A picture as a JPEG of at most LONGEST pixels a side, upright, without anything else in it.

    Raises `Refused` for what is no picture, or has more than MOST_PIXELS.
    """
    wrong = refuse("picture", "this file is not a picture that can be read", "send a photograph (JPEG, PNG or WebP)")
    try:
        Image.init()
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            picture = Image.open(io.BytesIO(data), formats=("JPEG", "PNG", "WEBP"))
            if picture.width * picture.height > MOST_PIXELS:
                raise refuse("picture", f"the picture has {picture.width} by {picture.height} points", "send a smaller one")
            picture.draft("RGB", (LONGEST, LONGEST))
            upright = ImageOps.exif_transpose(picture).convert("RGB")
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError, Image.DecompressionBombWarning,
            Image.DecompressionBombError) as error:
        raise wrong from error
    upright.thumbnail((LONGEST, LONGEST))
    made = io.BytesIO()
    fresh = Image.new("RGB", upright.size)
    fresh.paste(upright)
    fresh.save(made, "JPEG", quality=QUALITY, optimize=True)
    return made.getvalue()


def add(folder: Path, case_id: str, step: int, data: bytes) -> str:
    """Keeps a picture of a step (0: of the whole job) and returns its name.

    Raises `Refused` for what is no picture, for too many of one job, or when the disk does not take it.
    """
    picture, place = plain(data), folder / PLACE / case_id
    try:
        place.mkdir(parents=True, exist_ok=True)
        if place.is_symlink() or place.parent.is_symlink():
            raise refuse("picture", f"{place} is a link", "make it a folder of its own", usage=False)
    except OSError as error:
        raise refuse("not-saved", f"{place} cannot be made ({error.strerror})", "check space and permissions",
                     usage=False) from error
    for number in range(1, MOST_OF_A_JOB + 1):
        name = f"{step}-{number}.jpg"
        if not (place / name).exists() and write_new_bytes(place / name, picture):
            return name
    raise refuse("picture", f"this step has {MOST_OF_A_JOB} photographs", "remove some from the folder first")


def photographs(folder: Path, case_id: str) -> Mapping[int, tuple[str, ...]]:
    """The names of a job's pictures, by step."""
    try:
        names = sorted((path.name for path in (folder / PLACE / case_id).iterdir() if _NAME.fullmatch(path.name)),
                       key=lambda name: tuple(map(int, re.findall(r"\d+", name))))
    except OSError:
        return {}
    found: dict[int, tuple[str, ...]] = {}
    for name in names:
        step = int(name.partition("-")[0])
        found[step] = (*found.get(step, ()), name)
    return found


def read(folder: Path, case_id: str, name: str) -> bytes | None:
    """A picture's bytes; None where there is none of that name."""
    path = folder / PLACE / case_id / name
    if not _NAME.fullmatch(name) or path.is_symlink():
        return None
    try:
        return path.read_bytes()
    except OSError:
        return None
