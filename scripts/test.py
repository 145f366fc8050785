"""Install what the tests need, then run the whole check: format, lint, types, tests.

python3 scripts/test.py            everything that guards a commit (8 minutes at most on two cores)
python3 scripts/test.py --long     the proofs as well (about an hour)
python3 scripts/test.py -- ARGS    the checks, then pytest with your own arguments
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

from environment import ROOT, prepare, stop

DEBIAN = {
    "chromium": "chromium",
    "pdftoppm": "poppler-utils",
}
"""Programs that tests start, and the Debian packages that hold them."""
DEBIAN_LONG = {"soffice": "libreoffice-calc"}


def install_programs(wanted: dict[str, str]) -> None:
    """Install missing Debian packages when run as root; else say what to install."""
    missing = sorted({package for program, package in wanted.items() if not shutil.which(program)})
    if not missing:
        return
    if shutil.which("apt-get") and hasattr(os, "geteuid") and os.geteuid() == 0:
        print("Installing Debian packages:", *missing, flush=True)
        quiet = {"env": os.environ | {"DEBIAN_FRONTEND": "noninteractive"}, "check": False}
        subprocess.run(["apt-get", "update", "-qq"], **quiet)
        done = subprocess.run(
            ["apt-get", "install", "-y", "-qq", "--no-install-recommends", *missing],
            stdout=subprocess.DEVNULL,
            **quiet,
        )
        if done.returncode == 0:
            return
    stop(f"the tests need {', '.join(missing)}; install it (on Debian: apt-get install …)")


def main() -> None:
    """Run the steps in order; the first that fails ends the run with its exit code."""
    arguments = sys.argv[1:]
    long = "--long" in arguments
    extra = arguments[arguments.index("--") + 1 :] if "--" in arguments else []
    install_programs(DEBIAN | (DEBIAN_LONG if long else {}))
    python = str(prepare("dev"))
    marks = [] if long else ["-m", "not long"]
    steps = [
        ("format", [python, "-m", "ruff", "format", "--check", "."]),
        ("lint", [python, "-m", "ruff", "check", "."]),
        ("types", [python, "-m", "mypy"]),
        ("tests", [python, "-m", "pytest", "-n", "2", "--dist", "loadfile", *marks, *extra]),
    ]
    for name, command in steps:
        print(f"== {name}", flush=True)
        code = subprocess.run(command, cwd=ROOT, check=False).returncode
        if code != 0:
            sys.exit(code)


if __name__ == "__main__":
    main()
