"""The bytes of every dump as received, kept under their SHA-256 and never changed."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from pathlib import Path

from ingest import durable
from ingest.errors import Damaged, NotNow

_NAME = re.compile(r"[0-9a-f]{64}")


def digest(data: bytes) -> str:
    """Give the SHA-256 of `data` in lower-case hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def path_of(folder: Path, sha256: str) -> Path:
    """Give the place of an original below the folder `originals`: `ab/abcdef…`."""
    return folder / sha256[:2] / sha256


def keep(folder: Path, data: bytes) -> tuple[str, bool]:
    """Store `data` durably; give its SHA-256 and whether it was new."""
    sha256 = digest(data)
    path = path_of(folder, sha256)
    if path.exists():
        if path.stat().st_size == len(data) and digest(path.read_bytes()) == sha256:
            return sha256, False
        # the kept copy went bad and the same bytes came again: this repairs it
        path.chmod(0o644)
    if not path.parent.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        durable.sync_folder(folder)
    durable.write(path, data, read_only=True)
    return sha256, True


def read(folder: Path, sha256: str) -> bytes:
    """Return the bytes of an original; raise Damaged when they are gone or not the same."""
    path = path_of(folder, sha256)
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise Damaged(f"The original {sha256[:12]} is missing from {folder.name}/.") from None
    except OSError as error:
        raise NotNow(f"The original {sha256[:12]} cannot be read: {error.strerror}.") from error
    if digest(data) != sha256:
        raise Damaged(f"The original {sha256[:12]} is not as it was received.")
    return data


def listed(folder: Path) -> Iterator[str]:
    """Yield the SHA-256 of every original, in order of name."""
    for path in sorted(folder.glob("??/*")):
        if _NAME.fullmatch(path.name):
            yield path.name
