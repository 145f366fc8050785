"""Write files so that they survive a crash: temporary name, flush, rename, flush the folder."""

from __future__ import annotations

import os
import secrets
import time
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

TEMPORARY = ".part-"
"""Names of unfinished files begin with this; the next sweep removes those it finds."""


def sync_folder(folder: Path) -> None:
    """Flush a folder's list of names; a system that cannot do so (Windows) needs no such call."""
    if os.name == "nt":  # a rename is journalled by the file system there
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write(path: Path, data: bytes | Iterable[bytes], *, read_only: bool = False) -> None:
    """Put `data`, or its parts, at `path` whole or not at all, and flush it before returning.

    The order is the one SQLite's documentation of atomic commit relies on: content first, its
    flush, then the name, then the flush of the folder that holds the name.
    """
    temporary = path.with_name(f"{TEMPORARY}{secrets.token_hex(8)}")
    try:
        with temporary.open("xb") as out:
            out.writelines([data] if isinstance(data, bytes) else data)
            out.flush()
            os.fsync(out.fileno())
        if read_only:
            temporary.chmod(0o444)
        replace(temporary, path)
    except BaseException:
        with suppress(OSError):
            temporary.unlink()
        raise
    sync_folder(path.parent)


def append(path: Path, data: bytes) -> None:
    """Add `data` to the end of `path` and flush it; a failed write is cut off again."""
    new = not path.exists()
    with path.open("ab") as out:
        end = out.tell()
        try:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        except BaseException:
            with suppress(OSError):
                os.truncate(path, end)
            raise
    if new:
        sync_folder(path.parent)


def replace(source: Path, target: Path) -> None:
    """Rename over `target`; where an open reader forbids it (Windows), try a few times."""
    for attempt in range(5):
        try:
            source.replace(target)
        except PermissionError:
            if os.name != "nt" or attempt == 4:
                raise
            time.sleep(0.05 * 2**attempt)
        else:
            return
