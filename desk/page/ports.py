"""Serial ports on the intake page: what each receives now, and what it sent before."""

from __future__ import annotations

from typing import Any

from desk.page.office import Office, Reader, Row
from ingest import receiving
from ingest.errors import Trouble

MOST_CAPTURES = 5
"""Earlier captures that are shown of a port."""
STATES = {
    "unserved": ("nobody listens", "Start `glasstally watch`."),
    "closed": ("closed", ""),
    "waiting": ("open, waiting for the first byte", ""),
    "receiving": ("receiving", ""),
}
"""State of a port: its words, and what to do."""


def facts(office: Office) -> list[Row]:
    """Return each port with its settings, what it receives now, and its newest captures."""
    settings = {port.port: port for port in office.job().file.ports}
    captures = office.read("captures", _captures)
    out: list[Row] = []
    for port in receiving.ports(office.job()):
        words, remedy = STATES[port.state]
        said = port.words or remedy
        if port.words and port.state != "closed":
            said = f"The capture before: {port.words}."
        own = [row for row in captures if row["place"] == port.place]
        out.append(
            {
                "now": port, "words": words, "said": said,
                "setting": settings.get(port.port), "captures": own[:MOST_CAPTURES],
                "taken": len(own), "incomplete": sum(not row["complete"] for row in own),
            }
        )  # fmt: skip
    return out


def _captures(read: Reader) -> list[Row]:
    """List the dumps that came over serial lines, newest first, with their port's place."""
    rows = read.rows(
        "SELECT name, arrived_at, size, complete, state FROM dump WHERE origin = 'serial' "
        "AND aside = 0 ORDER BY arrived_at DESC, sha256"
    )
    for row in rows:
        # PLACE-DAY-TIME.txt, as the capture named it
        row["place"] = row["name"].rsplit("-", 2)[0]
    return rows


def sign(office: Office) -> str:
    """Tell one moment of the ports from another, for pages that stand open."""
    try:
        found: list[Any] = receiving.ports(office.job())
    except Trouble:
        return ""
    return "\n".join(port.sign for port in found)
