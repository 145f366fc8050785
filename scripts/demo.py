"""Make the environment once, then run the whole path on an invented job.

python3 scripts/demo.py [FOLDER]    (FOLDER: where the invented job goes; else demo-job)
"""

from __future__ import annotations

import subprocess
import sys

from environment import ROOT, prepare


def main() -> None:
    python = prepare()
    folder = sys.argv[1] if len(sys.argv) > 1 else str(ROOT / "demo-job")
    command = [str(python), "-m", "desk.main", "demo", folder]
    sys.exit(subprocess.run(command, cwd=ROOT, check=False).returncode)


if __name__ == "__main__":
    main()
