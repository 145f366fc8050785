"""Make the project's own Python environment in `.venv`: standard library only, any system."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
PYTHON = VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
OLDEST, TOO_NEW = (3, 11), (3, 15)


def stop(message: str) -> None:
    """End with one clear sentence."""
    sys.exit(f"{Path(sys.argv[0]).name}: {message}")


def check_python() -> None:
    """Refuse a Python that the project does not run on, and one that cannot make environments."""
    if not OLDEST <= sys.version_info[:2] < TOO_NEW:
        stop(
            f"this is Python {sys.version_info.major}.{sys.version_info.minor}; it needs 3.11 to "
            "3.14. Install one of these and start this script with it, for instance: "
            "python3.12 " + sys.argv[0]
        )
    try:
        import ensurepip
        import venv
    except ImportError as error:
        stop(
            f"this Python lacks its '{error.name}' module. On Debian or Ubuntu: "
            "apt install python3-venv; elsewhere reinstall Python with it."
        )
    else:
        del ensurepip, venv


def prepare(extras: str = "") -> Path:
    """Make `.venv` once, install the project with `extras`, if any, and return its Python.

    A stamp over the files that decide what is installed makes a second call quick.
    """
    check_python()
    wanted = hashlib.sha256(
        b"".join((ROOT / name).read_bytes() for name in ("pyproject.toml", "constraints.txt"))
        + extras.encode()
        + sys.version.encode()
    ).hexdigest()
    stamp = VENV / "glasstally.stamp"
    if PYTHON.exists() and stamp.exists() and wanted in stamp.read_text().split():
        return PYTHON
    if not PYTHON.exists():
        print("Making .venv (once) …", flush=True)
        run([sys.executable, "-m", "venv", str(VENV)], "the environment could not be made")
    print("Installing Glasstally and what it needs (a minute or two, once) …", flush=True)
    pip = [str(PYTHON), "-m", "pip", "--quiet", "--disable-pip-version-check"]
    run(
        [
            *pip,
            "install",
            "--constraint",
            str(ROOT / "constraints.txt"),
            "--editable",
            f"{ROOT}[{extras}]" if extras else str(ROOT),
        ],
        "the packages could not be installed; is there a network or a package mirror?",
    )
    known = stamp.read_text().split() if stamp.exists() else []
    stamp.write_text("\n".join([*known[-3:], wanted]))
    return PYTHON


def run(command: list[str], failure: str) -> None:
    """Run a command; end with `failure` when it does not succeed."""
    if subprocess.run(command, cwd=ROOT, check=False).returncode != 0:
        stop(failure)
