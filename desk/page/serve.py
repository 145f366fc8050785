"""Serve the page with uvicorn until it is stopped."""

from __future__ import annotations

import ipaddress
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import uvicorn

from desk.page.app import WARM, build
from desk.page.door import Door
from desk.page.office import Office
from ingest import logs
from ingest.errors import BadInput, NotNow, why_not

LOOPBACK = "127.0.0.1"
WAITING = 64
SWITCH_SECONDS = 0.0005
"""How long a thread that computes keeps those waiting that answer: each row that they read from the
store is a turn of their own; ten times shorter than Python's own choice."""
GRACE_SECONDS = 2
"""How long open event streams may take to end when the page is stopped."""


@dataclass(frozen=True)
class Desk:
    """A page that is listening."""

    name: str
    address: str
    """The address to open; on loopback it carries the secret."""
    secret: str
    server: uvicorn.Server
    line: socket.socket

    def run(self) -> None:
        """Serve until stopped."""
        sys.setswitchinterval(SWITCH_SECONDS)
        self.server.run(sockets=[self.line])


@contextmanager
def listening(folder: Path, *, port: int = 0, share: str = "") -> Iterator[Desk]:
    """Listen for a job's page; raises BadInput for a bad address, NotNow for a taken port."""
    address = _address(share) if share else LOOPBACK
    door = Door(named=bool(share))
    office = Office(folder, door, away=True)
    office.warm = WARM
    job = office.job()
    logs.start(folder)
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    line = socket.socket(family, socket.SOCK_STREAM)
    try:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            line.bind((address, port))
            # from now on the browser may knock; who comes early waits for the server
            line.listen(WAITING)
        except OSError as error:
            raise NotNow(f"{address}:{port or 'any port'}: {why_not(error)}.") from None
        taken = line.getsockname()[1]
        host = f"[{address}]" if ":" in address else address
        hosts = [f"{host}:{taken}"]
        if not share:
            hosts += [f"localhost:{taken}"]
        config = uvicorn.Config(
            build(office, hosts), log_config=None, access_log=False, server_header=False,
            date_header=True, timeout_graceful_shutdown=GRACE_SECONDS, lifespan="off",
            forwarded_allow_ips="", proxy_headers=False,
        )  # fmt: skip
        server = uvicorn.Server(config)
        office.ending = lambda: server.should_exit
        opened = f"http://{host}:{taken}/" + ("" if share else f"enter?key={door.secret}")
        yield Desk(job.file.name, opened, door.secret, server, line)
    finally:
        office.close()
        line.close()


def _address(text: str) -> str:
    """Read an address of this laptop; a name or "all of them" is refused."""
    try:
        found = ipaddress.ip_address(text)
    except ValueError:
        raise BadInput(
            f"--share {text}: give an address of this laptop, such as 192.168.1.20."
        ) from None
    if found.is_unspecified:
        raise BadInput(f"--share {text}: name one address; every network at once is not served.")
    return str(found)
