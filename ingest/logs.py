"""The job's log: rotating text, and one file per bug of ours."""

from __future__ import annotations

import logging
import os
from logging.handlers import RotatingFileHandler
from pathlib import Path

from rules.version import __version__

_BYTES = 1_000_000
_KEPT = 5
log = logging.getLogger("glasstally")


def start(folder: Path) -> None:
    """Write this process's log lines to `logs/glasstally.log` of a job, from now on."""
    for handler in list(log.handlers):
        log.removeHandler(handler)
        handler.close()
    try:
        handler = RotatingFileHandler(
            folder / "logs" / "glasstally.log", maxBytes=_BYTES, backupCount=_KEPT,
            encoding="utf-8", delay=True,
        )  # fmt: skip
    except OSError:
        return  # a job on a read-only disk can still be read
    handler.setFormatter(logging.Formatter("%(asctime)s %(process)d %(levelname)s %(message)s"))
    log.addHandler(handler)
    log.propagate = False
    log.setLevel(os.environ.get("GLASSTALLY_LOG", "INFO").upper() or "INFO")


def write_bug(folder: Path, text: str, sha256: str = "") -> Path:
    """Write `logs/bug-N.txt` with the dump's hash and what happened; give its path."""
    logs = folder / "logs"
    logs.mkdir(exist_ok=True)
    number = 1
    while True:
        path = logs / f"bug-{number}.txt"
        try:
            with path.open("x", encoding="utf-8") as out:
                out.write(f"Glasstally {__version__}\ndump {sha256 or 'none'}\n\n{text}")
        except FileExistsError:
            number += 1
        else:
            return path
