"""Forms that come back: the token is checked before anything is read from them."""

from __future__ import annotations

import hmac
import tempfile
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from desk.page.door import Visitor
from desk.page.show import MOST_FORM_FIELDS, visitor_of
from ingest import durable, planload
from ingest.errors import BadInput

MOST_FILES = 200
MOST_TEXT = 4_000
"""Characters of one field, unless a field says otherwise."""


class Form:
    """The fields of a form that really came from this visitor's page."""

    def __init__(self, data: FormData) -> None:
        self._data = data

    def text(self, name: str, most: int = MOST_TEXT) -> str:
        """Return a field's text without blanks around it; empty where it is missing."""
        value = self._data.get(name, "")
        return value.strip()[:most] if isinstance(value, str) else ""

    def need(self, name: str, what: str) -> str:
        """Return a field's text; raise BadInput where it is empty."""
        text = self.text(name)
        if not text:
            raise BadInput(f"Give {what}.")
        return text

    def texts(self, name: str) -> list[str]:
        """Return every value of a field that may stand several times."""
        return [value for value in self._data.getlist(name) if isinstance(value, str)]

    def names(self) -> list[str]:
        """Return the names of all fields."""
        return list(self._data)

    def uploads(self, name: str) -> Iterator[Upload]:
        """Read the uploaded files of a field one after another, without empty choices."""
        for value in self._data.getlist(name):
            if isinstance(value, UploadFile) and value.filename:
                yield Upload(plain_name(value.filename), value.file.read())

    def upload(self, name: str) -> Upload:
        """Read the one file of a field; raise BadInput where none was chosen."""
        for upload in self.uploads(name):
            return upload
        raise BadInput("No file was chosen.")


@dataclass(frozen=True)
class Upload:
    """The bytes of a file, and what the client calls it: a name to show, never a place."""

    name: str
    data: bytes

    @contextmanager
    def as_file(self) -> Iterator[Path]:
        """Lay the bytes into a folder of their own for readers of files, and remove them again."""
        with tempfile.TemporaryDirectory(prefix="glasstally-") as folder:
            path = Path(folder) / planload.safe_name(self.name)
            durable.write(path, self.data)
            yield path


def taken(
    handle: Callable[[Request, Form], Response], *, files: int = 0
) -> Callable[[Request], Awaitable[Response]]:
    """Make an endpoint of what handles a form: checked first, then worked on in a thread."""

    async def endpoint(request: Request) -> Response:
        form = await posted(request, files=files)
        return await run_in_threadpool(handle, request, form)

    return endpoint


async def posted(request: Request, *, files: int = 0) -> Form:
    """Read a form and check its token; raise 403 where it is not this visitor's."""
    data = await request.form(max_files=files, max_fields=MOST_FORM_FIELDS)
    given = data.get("token", "")
    expected = visitor_of(request).form_token
    if not isinstance(given, str) or not hmac.compare_digest(given.encode(), expected.encode()):
        raise HTTPException(403, "This form is too old. Reload the page and send it again.")
    return Form(data)


def back(visitor: Visitor, path: str, *words: str) -> RedirectResponse:
    """Go to another page after a form, with something to say there."""
    visitor.words.extend(words)
    return RedirectResponse(path, status_code=303)


def plain_name(name: str) -> str:
    """Reduce a client's file name to something to show: no folders, no control characters."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    kept = "".join(c for c in last if c.isprintable()).strip()
    return kept[:120] or "upload"
