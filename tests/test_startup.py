"""Quick commands stay quick: they read stored aggregates and import nothing heavy."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

HEAVY = {"pandas", "numpy", "scipy", "sqlite_utils", "matplotlib", "typst", "rapidfuzz", "lxml"}
PROBE = """
import json, sys
from desk.main import build
from desk.terminal import guarded
code = guarded(lambda: build()(sys.argv[1:], standalone_mode=True))
roots = {name.split(".")[0] for name in sys.modules}
sys.stderr.write(json.dumps({"code": code, "roots": sorted(roots)}))
"""


@pytest.mark.parametrize(
    "command", [["--help"], ["status"], ["retests"], ["questions"], ["findings"], ["dump", "list"]],
    ids=lambda c: " ".join(c),
)  # fmt: skip
def test_quick_commands_import_nothing_heavy(demo_job: Path, command: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-c", PROBE, "--job", str(demo_job), *command],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    seen = json.loads(done.stderr.splitlines()[-1])
    assert seen["code"] in (0, 1), done.stderr
    assert not HEAVY & set(seen["roots"]), HEAVY & set(seen["roots"])
