"""The wheel: every data file is in it, nobody else owns our names, and it runs on its own."""

from __future__ import annotations

import importlib.metadata
import json
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
ROOMS = ("ingest", "parsers", "rules", "reports", "desk")


def run(*command: object, cwd: Path, accept: tuple[int, ...] = (0,)) -> str:
    done = subprocess.run(
        [str(part) for part in command], cwd=cwd, capture_output=True, text=True, check=False
    )
    assert done.returncode in accept, f"{command}\n{done.stdout}\n{done.stderr}"
    return done.stdout


def tracked() -> list[str]:
    return run("git", "ls-files", "-z", cwd=ROOT).split("\0")[:-1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wheel built from a clean copy of what git tracks."""
    clean = tmp_path_factory.mktemp("clean")
    for file in tracked():
        if (ROOT / file).is_file():
            (clean / file).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / file, clean / file)
    run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "-o", clean / "dist", cwd=clean)
    (built,) = (clean / "dist").glob("*.whl")
    return built


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The Python of an environment that holds the wheel; its dependencies are borrowed."""
    place = tmp_path_factory.mktemp("installed") / "venv"
    run(sys.executable, "-m", "venv", "--without-pip", place, cwd=ROOT)
    python = place / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")
    site = Path(
        run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", cwd=ROOT)
        .strip()
    )  # fmt: skip
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    # a plain path line: the borrowed folder's own .pth files (the checkout) are not followed
    (site / "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n")
    return python


def test_every_file_of_the_rooms_is_in_the_wheel(wheel: Path) -> None:
    inside = set(zipfile.ZipFile(wheel).namelist())
    ours = {file for file in tracked() if file.split("/")[0] in ROOMS and (ROOT / file).is_file()}
    assert any(file.endswith(".toml") for file in ours)
    assert ours - inside == set()


def test_no_other_distribution_owns_our_package_names() -> None:
    owners = importlib.metadata.packages_distributions()
    for room in ROOMS:
        others = set(owners.get(room, ())) - {"glasstally"}
        assert not others, f"{room} also belongs to {others}"


def test_the_installed_wheel_runs_the_demo_from_another_folder(
    installed: Path, tmp_path: Path
) -> None:
    where = run(installed, "-I", "-c", "import rules; print(rules.__file__)", cwd=tmp_path)
    assert str(ROOT) not in where
    command = [installed, "-I", "-m", "desk.main"]
    run(*command, "demo", tmp_path / "job", cwd=tmp_path, accept=(0, 1))
    status = (*command, "--job", tmp_path / "job" / "job", "status", "--json")
    board = json.loads(run(*status, cwd=tmp_path, accept=(0, 1)))
    assert board
