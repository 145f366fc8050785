"""A browser without a browser: starlette's client, let in as the page's owner."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from httpx2 import Response
from starlette.testclient import TestClient

from desk.page.app import build
from desk.page.door import Door
from desk.page.office import Office

HOST = "127.0.0.1:8765"
ORIGIN = f"http://{HOST}"
SECRET = "open-sesame"  # noqa: S105 the token of a test


class Visitor:
    """One visitor of a job's page."""

    def __init__(self, office: Office, name: str = "", *, inside: bool = True) -> None:
        self.office = office
        self.client = TestClient(build(office, [HOST]), base_url=ORIGIN)
        if inside:
            self.send("/enter", secret=SECRET, name=name)

    def get(self, path: str, **more: Any) -> Response:
        """Open a page."""
        return self.client.get(path, **more)

    def send(self, path: str, files: Any = None, **fields: Any) -> Response:
        """Send a form as a browser would: with its origin and this visitor's token."""
        return self.client.post(
            path,
            data=fields | ({"token": self.token()} if path != "/enter" else {}),
            files=files,
            headers={"origin": ORIGIN},
        )

    def token(self) -> str:
        """Read the form token from a page that has a form."""
        found = re.search(r'name="token" value="([^"]+)"', self.get("/papers").text)
        assert found
        return found[1]


def office_of(folder: Path, *, named: bool = False) -> Office:
    """Open an office on a job, with a known secret."""
    return Office(folder, Door(named=named, secret=SECRET), owner="Ada Quill", patience=120.0)
