from __future__ import annotations

import errno
import hashlib
import os
import stat
from pathlib import Path
from typing import Any

import pytest

from ingest import durable, originals
from ingest.errors import Damaged


def test_an_original_lies_under_its_hash_and_cannot_be_written(tmp_path: Path) -> None:
    # FIPS 180-4 example "abc"
    sha256, new = originals.keep(tmp_path, b"abc")
    assert sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    path = tmp_path / "ba" / sha256
    assert new
    assert path.read_bytes() == b"abc"
    assert not path.stat().st_mode & 0o222
    assert originals.keep(tmp_path, b"abc") == (sha256, False)
    assert list(originals.listed(tmp_path)) == [sha256]


def test_a_changed_or_missing_original_is_said(tmp_path: Path) -> None:
    sha256, _ = originals.keep(tmp_path, b"abc")
    path = originals.path_of(tmp_path, sha256)
    path.chmod(0o644)
    path.write_bytes(b"abd")
    with pytest.raises(Damaged, match="not as it was received"):
        originals.read(tmp_path, sha256)
    assert originals.keep(tmp_path, b"abc") == (sha256, True)  # the same bytes again repair it
    assert originals.read(tmp_path, sha256) == b"abc"
    path.unlink()
    with pytest.raises(Damaged, match="is missing"):
        originals.read(tmp_path, sha256)


def test_the_order_is_content_flush_name_flush(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The order of SQLite's "Atomic Commit In SQLite", sections 3.7 to 3.11."""
    done: list[str] = []
    fsync, replace = os.fsync, Path.replace

    def spy_fsync(handle: int) -> None:
        done.append("flush folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else "flush file")
        fsync(handle)

    def spy_replace(self: Path, target: Any) -> Path:
        assert self.read_bytes() == b"abc"
        done.append("name")
        return replace(self, target)

    monkeypatch.setattr(os, "fsync", spy_fsync)
    monkeypatch.setattr(Path, "replace", spy_replace)
    durable.write(tmp_path / "x", b"abc")
    assert done == ["flush file", "name", "flush folder"]


@pytest.mark.parametrize("call", ["open", "fsync", "replace"])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO, errno.EACCES])
def test_a_failed_write_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, number: int
) -> None:
    def fail(*_args: Any, **_kwargs: Any) -> None:
        raise OSError(number, os.strerror(number))

    target = {"open": (Path, "open"), "fsync": (os, "fsync"), "replace": (Path, "replace")}[call]
    with monkeypatch.context() as patch:
        patch.setattr(*target, fail)
        with pytest.raises(OSError, match=os.strerror(number)):
            durable.write(tmp_path / "x", b"abc")
    assert list(tmp_path.iterdir()) == []


def test_a_failed_append_is_cut_off_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "x"
    durable.append(path, b"one\n")

    def fail(_handle: int) -> None:
        raise OSError(errno.ENOSPC, "full")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fail)
        with pytest.raises(OSError, match="full"):
            durable.append(path, b"two\n")
    assert path.read_bytes() == b"one\n"


def test_digest_is_the_librarys(tmp_path: Path) -> None:
    assert originals.digest(b"x") == hashlib.sha256(b"x").hexdigest()
