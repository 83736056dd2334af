"""What a person typed: fields of an address or a form."""

from __future__ import annotations

from collections.abc import AsyncGenerator, Iterable, Iterator
from typing import NamedTuple
from urllib.parse import parse_qsl

from starlette.datastructures import Headers, UploadFile
from starlette.formparsers import MultiPartException, MultiPartParser

from casebase.web.denied import Denied

MOST_FIELDS = 200
MOST_FILES = 1
TOO_MANY = Denied(400, "Too many fields", f"This form has more than {MOST_FIELDS} fields; no page here sends so many.")


class Upload(NamedTuple):
    """A file that was sent: the name its sender gives it, which means nothing, and its bytes."""

    name: str
    data: bytes


class Fields:
    """Named texts in their order; a name may come more than once. Line ends are \\n."""

    def __init__(self, pairs: Iterable[tuple[str, str]] = (), files: Iterable[tuple[str, Upload]] = ()) -> None:
        self.pairs = tuple((name, value.replace("\r\n", "\n").replace("\r", "\n")) for name, value in pairs)
        self.files = dict(files)

    def get(self, name: str, default: str = "") -> str:
        """The first value of a name, without space around it."""
        return next((value.strip() for field, value in self.pairs if field == name), default)

    def all(self, name: str) -> tuple[str, ...]:
        """Every value of a name that says something."""
        return tuple(value.strip() for field, value in self.pairs if field == name and value.strip())

    def __iter__(self) -> Iterator[tuple[str, str]]:
        return iter(self.pairs)


def read_pairs(text: bytes) -> Fields:
    """The fields of an address or of a plain form. Raises `Denied` for too many."""
    try:
        return Fields(parse_qsl(text.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=MOST_FIELDS,
                                encoding="utf-8", errors="replace"))
    except ValueError:
        raise TOO_MANY from None


async def read_form(headers: Headers, body: bytes) -> Fields:
    """The fields, and perhaps a file, of a form that was sent. Raises `Denied` for what is no form."""
    kind = headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind == "application/x-www-form-urlencoded":
        return read_pairs(body)
    if kind != "multipart/form-data":
        raise Denied(400, "Not a form", "Only a form of these pages can be sent here.")
    try:
        data = await MultiPartParser(headers, _once(body), max_files=MOST_FILES, max_fields=MOST_FIELDS,
                                     max_part_size=len(body) + 1).parse()
    except (MultiPartException, KeyError):
        raise Denied(400, "Not a whole form", "The form did not arrive whole, or has too many fields. Send it again.") from None
    texts, files = [], []
    for name, value in data.multi_items():
        if isinstance(value, UploadFile):
            files.append((name, Upload(value.filename or "", await value.read())))
        else:
            texts.append((name, value))
    await data.close()
    return Fields(texts, files)


async def _once(body: bytes) -> AsyncGenerator[bytes, None]:
    yield body
