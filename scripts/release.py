"""Build a release from a clean checkout: wheel, source archive and their SHA-256.

python3 scripts/release.py              builds into dist/
python3 scripts/release.py --to FOLDER

Refuses where git holds changes that are not committed, or where CHANGELOG.md says nothing of the
version in rules/version.py. Builds from what git has committed, with the time of that commit, so
that the same commit gives the same bytes with the same build tools. `SHA256SUMS` beside the files
is in the form that `sha256sum -c` and other tools check.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import re
import subprocess
import sys
import tarfile
import tempfile
from io import BytesIO
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SUMS = "SHA256SUMS"


def git(*words: str, root: Path = ROOT) -> bytes:
    return subprocess.run(["git", *words], cwd=root, stdout=subprocess.PIPE, check=True).stdout


def version(root: Path = ROOT) -> str:
    """Read the version from its one place."""
    text = (root / "rules" / "version.py").read_text(encoding="utf-8")
    found = re.search(r'^__version__ = "([^"]+)"$', text, re.MULTILINE)
    if found is None:
        raise SystemExit("release: rules/version.py holds no version")
    return found[1]


def entry(root: Path, number: str) -> str:
    """Return what CHANGELOG.md says of a version; empty where it says nothing."""
    text = (root / "CHANGELOG.md").read_text(encoding="utf-8")
    parts = re.split(r"^## +\[?([^\]\s]+).*$", text, flags=re.MULTILINE)
    return dict(zip(parts[1::2], (part.strip() for part in parts[2::2]), strict=True)).get(
        number, ""
    )


def refusals(root: Path = ROOT) -> list[str]:
    """Say what stands against a release of what lies here."""
    out = []
    changed = git("status", "--porcelain", root=root).decode().splitlines()
    if changed:
        out.append(f"not committed: {', '.join(line[3:] for line in changed[:5])}"
                   + (" …" if len(changed) > 5 else ""))  # fmt: skip
    number = version(root)
    if not entry(root, number):
        out.append(f"CHANGELOG.md has no entry '## {number}' with text under it")
    return out


def build(to: Path, root: Path = ROOT) -> list[Path]:
    """Build the committed tree into `to`; give the files, SHA256SUMS last."""
    time = git("log", "-1", "--format=%ct", root=root).decode().strip()
    to.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="glasstally-release-") as name:
        clean = Path(name) / "clean"
        with tarfile.open(fileobj=BytesIO(git("archive", "HEAD", root=root))) as archive:
            archive.extractall(clean, filter="data")
        out = Path(name) / "out"
        subprocess.run(
            [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(out), str(clean)],
            env=os.environ | {"SOURCE_DATE_EPOCH": time}, stdout=subprocess.DEVNULL, check=True,
        )  # fmt: skip
        made = []
        for path in sorted(out.iterdir()):
            made.append(to / path.name)
            made[-1].write_bytes(path.read_bytes())
    sums = to / SUMS
    sums.write_bytes(
        "".join(f"{hashlib.sha256(p.read_bytes()).hexdigest()}  {p.name}\n" for p in made).encode()
    )
    return [*made, sums]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--to", type=Path, default=ROOT / "dist")
    arguments = parser.parse_args()
    against = refusals()
    if against:
        sys.exit("\n".join(f"release: {line}" for line in against))
    *made, sums = build(arguments.to)
    print(f"glasstally {version()}, {git('rev-parse', 'HEAD').decode().strip()}")
    print(sums.read_text(encoding="utf-8"), end="")
    print(f"{len(made)} files and {SUMS} are in {arguments.to}")


if __name__ == "__main__":
    main()
