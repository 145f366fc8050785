"""The heartbeat of a watch: when it last looked, and how the ports are that it serves."""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

_NAME = "glasstally.watch"


def leave(
    folder: Path, moment: str, inbox: Path, ports: Mapping[str, Mapping[str, str]] | None = None
) -> None:
    """Write that a watch is alive, with `state` (open, closed) and `words` of each port it serves.

    A disk that refuses is no reason to stop watching.
    """
    sign = {"at": moment, "folder": str(inbox), "ports": dict(ports or {})}
    with suppress(OSError):
        (folder / _NAME).write_text(json.dumps(sign), "utf-8")


def end(folder: Path) -> None:
    """Remove the heartbeat of a watch that stops."""
    with suppress(OSError):
        (folder / _NAME).unlink()


def last(folder: Path) -> dict[str, Any] | None:
    """Return `at`, `folder` and `ports` of the last look; None where no watch is at work."""
    try:
        found = json.loads((folder / _NAME).read_text("utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) else None
