"""A release: the same commit gives the same bytes, and what is unfinished is refused."""

from __future__ import annotations

import hashlib
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "scripts"))

import release  # noqa: E402

PYPROJECT = """
[build-system]
requires = ["hatchling"]
build-backend = "hatchling.build"
[project]
name = "glasstally"
requires-python = ">=3.11"
dynamic = ["version"]
[tool.hatch.version]
path = "rules/version.py"
[tool.hatch.build.targets.wheel]
packages = ["rules"]
"""


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A small checkout of its own, with everything committed."""
    root = tmp_path / "tree"
    (root / "rules").mkdir(parents=True)
    (root / "pyproject.toml").write_text(PYPROJECT)
    (root / "rules" / "__init__.py").write_text("")
    (root / "rules" / "version.py").write_text('__version__ = "1.2.3"\n')
    (root / "CHANGELOG.md").write_text(
        "# Changelog\n\n## 1.2.3\n\nThe third.\n\n## 1.2.2\n\nOld.\n"
    )
    git(root, "init", "-q")
    commit(root)
    return root


def git(root: Path, *words: str) -> None:
    own = ("-c", "user.name=E. Invented", "-c", "user.email=invented@example.org")
    subprocess.run(["git", *own, *words], cwd=root, check=True, capture_output=True)


def commit(root: Path) -> None:
    git(root, "add", "-A")
    git(root, "commit", "-q", "-m", "state")


def test_the_same_commit_gives_the_same_bytes(tree: Path, tmp_path: Path) -> None:
    assert release.refusals(tree) == []
    first = release.build(tmp_path / "a", tree)
    second = release.build(tmp_path / "b", tree)
    assert [path.name for path in first] == [
        "glasstally-1.2.3-py3-none-any.whl", "glasstally-1.2.3.tar.gz", release.SUMS,
    ]  # fmt: skip
    for one, two in zip(first, second, strict=True):
        assert one.read_bytes() == two.read_bytes(), one.name
    lines = first[-1].read_text().splitlines()
    assert lines == [
        f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.name}" for path in first[:-1]
    ]
    assert "rules/version.py" in zipfile.ZipFile(first[0]).namelist()
    with tarfile.open(first[1]) as archive:
        assert "glasstally-1.2.3/CHANGELOG.md" in archive.getnames()


def test_what_is_not_committed_is_refused_and_not_built(tree: Path, tmp_path: Path) -> None:
    (tree / "rules" / "late.py").write_text("")
    (reason,) = release.refusals(tree)
    assert "not committed" in reason and "rules/late.py" in reason
    wheel, *_ = release.build(tmp_path / "a", tree)
    assert "rules/late.py" not in zipfile.ZipFile(wheel).namelist()


@pytest.mark.parametrize("log", ["# Changelog\n", "# Changelog\n\n## 1.2.3\n\n## 1.2.2\n\nOld.\n"])
def test_a_version_without_an_entry_is_refused(tree: Path, log: str) -> None:
    (tree / "CHANGELOG.md").write_text(log)
    commit(tree)
    (reason,) = release.refusals(tree)
    assert "## 1.2.3" in reason


def test_this_version_has_its_entry() -> None:
    assert release.entry(ROOT, release.version(ROOT))
