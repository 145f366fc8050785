"""What the serial ports of a job receive at this moment, for those who look on."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from ingest import beat, capture
from ingest.job import Job
from parsers import text

SILENT_S = 120.0
"""A watch that has given no sign for so long is held for gone; engineering default, no source."""
TAIL_BYTES = 4_096
_NAMED = re.compile(re.escape(capture.RAW) + r"(?P<place>.+)-\d{8}-\d{6}\.raw")

State = Literal["unserved", "closed", "waiting", "receiving"]


@dataclass(frozen=True)
class Receiving:
    """One port and the capture that is under way on it."""

    port: str
    place: str
    """How its captures are named."""
    state: State
    words: str
    """What the watch said of it last: why it is closed, or how its last capture ended."""
    size: int = 0
    lines: int = 0
    last_line: str = ""

    @property
    def sign(self) -> str:
        """Tell one moment from another."""
        return f"{self.port} {self.state} {self.size} {self.words}"


def ports(job: Job) -> list[Receiving]:
    """Return the job's ports in the order of job.toml, then captures on other ports."""
    raw = _under_way(job.inbox)
    if not (job.file.ports or raw):
        return []
    told = _told(job)
    found = []
    for port in job.file.ports:
        place = capture.place_of(port.port)
        found.append(_one(port.port, place, told.get(port.port), raw.pop(place, None)))
    found += [_one(place, place, {}, path) for place, path in raw.items()]
    return found


def _under_way(inbox: Path) -> dict[str, Path]:
    """Find the newest raw capture of each port by its name's place."""
    found = {}
    for path in sorted(inbox.glob(f"{capture.RAW}*.raw")):
        named = _NAMED.fullmatch(path.name)
        if named:
            found[named["place"]] = path
    return found


def _told(job: Job) -> dict[str, dict[str, str]]:
    """Return what a watch that is at work says of its ports."""
    sign: dict[str, Any] = beat.last(job.folder) or {}
    try:
        age = (job.clock() - datetime.fromisoformat(sign["at"])).total_seconds()
    except (KeyError, TypeError, ValueError):
        return {}
    listed = sign.get("ports")
    return listed if age < SILENT_S and isinstance(listed, dict) else {}


def _one(port: str, place: str, told: dict[str, str] | None, path: Path | None) -> Receiving:
    size, lines, last = _tail(path) if path else (0, 0, "")
    state: State = "waiting"
    if size:
        state = "receiving"
    elif told is None:
        state = "unserved"
    elif told.get("state") == "closed":
        state = "closed"
    return Receiving(port, place, state, (told or {}).get("words", ""), size, lines, last)


def _tail(path: Path) -> tuple[int, int, str]:
    """Return bytes, line ends and the last line of a capture that is being written."""
    try:
        data = path.read_bytes()
    except OSError:
        return 0, 0, ""  # it was taken just now
    body = text.read(data[-TAIL_BYTES:], "utf-8")
    shown = [body.line(n) for n in range(len(body.starts))]
    last = next((line for line in reversed(shown) if line.strip()), "")
    return len(data), max(data.count(b"\n"), data.count(b"\r")), last.rstrip()
