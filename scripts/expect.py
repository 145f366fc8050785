"""Write what a parser makes of a fixture beside it, for a person to read and commit.

    python scripts/expect.py fixtures/comma-preamble/morning.csv

An expectation that is there already is replaced only with --replace, and one that would lose a
reading only with --allow-loss.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from tests.parsers import fixtures  # noqa: E402


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("files", nargs="+", type=Path)
    parser.add_argument("--replace", action="store_true")
    parser.add_argument("--allow-loss", action="store_true")
    options = parser.parse_args()
    status = 0
    for file in options.files:
        target = fixtures.expectation_of(file)
        text = fixtures.as_json(fixtures.observe(file))
        if target.exists():
            before = json.loads(target.read_text(encoding="utf-8"))
            lost = len(before["readings"]) - len(json.loads(text)["readings"])
            if target.read_text(encoding="utf-8") == text:
                continue
            if not options.replace:
                print(f"{target}: differs; --replace writes it anew")
                status = 1
                continue
            if lost > 0 and not options.allow_loss:
                print(f"{target}: {lost} readings fewer than before; --allow-loss writes it")
                status = 1
                continue
        target.write_text(text, encoding="utf-8")
        print(f"{target}: written, read it before you commit it")
    return status


if __name__ == "__main__":
    sys.exit(main())
