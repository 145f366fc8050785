"""The heartbeat of a watch: when it last looked at its drop folder, for `status` and the page."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path

_NAME = "glasstally.watch"


def leave(folder: Path, moment: str, inbox: Path) -> None:
    """Write that a watch is alive; a disk that refuses is no reason to stop watching."""
    with suppress(OSError):
        (folder / _NAME).write_text(json.dumps({"at": moment, "folder": str(inbox)}), "utf-8")


def end(folder: Path) -> None:
    """Remove the heartbeat of a watch that stops."""
    with suppress(OSError):
        (folder / _NAME).unlink()


def last(folder: Path) -> dict[str, str] | None:
    """Return `at` and `folder` of the last look; None where no watch is at work."""
    try:
        found = json.loads((folder / _NAME).read_text("utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) else None
