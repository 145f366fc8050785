"""What others add: a parser from a package that is really installed, and the stub of a new one."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from parsers import account, registry
from tests.parsers import fixtures

ASK = """
import json, sys
sys.path[:0] = sys.argv[1:3]
from ingest import plugins
from parsers import account, registry
from parsers.dump import Dump
found, problems = plugins._installed()
dump = Dump(b"HUNDREDTHS H-9\\n1310 A-01 42\\nwhat?\\n1550 A-01 dark\\n", "x", "0" * 64)
choice = registry.choose(dump, [*registry.shipped(), *(parser for _, parser in found)])
extract = choice.parser.parse(dump)
print(json.dumps({
    "names": [name for name, _ in found], "problems": problems, "claims": choice.claims,
    "lost": account.check(dump, extract), "loss": extract.readings["loss_db"].tolist()[:1],
    "states": extract.readings["state"].tolist(), "faults": extract.faults["line"].tolist(),
}))
"""


def test_an_installed_package_is_found_and_asked(tmp_path: Path) -> None:
    target = tmp_path / "site"
    done = subprocess.run(
        [sys.executable, "-m", "pip", "install", "--quiet", "--no-index", "--no-deps",
         "--no-build-isolation", "--disable-pip-version-check", "--target", str(target),
         str(_copy(fixtures.FOLDER / "plugin", tmp_path / "source"))],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    asked = subprocess.run(
        [sys.executable, "-c", ASK, str(target), str(fixtures.ROOT)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert asked.returncode == 0, asked.stderr
    assert json.loads(asked.stdout) == {
        "names": ["hundredths"], "problems": [], "claims": ["hundredths"], "lost": [],
        "loss": [0.42], "states": ["ok", "no-light"], "faults": [3],
    }  # fmt: skip


def _copy(source: Path, target: Path) -> Path:
    """Copy the package, so that building it leaves nothing in the checkout."""
    target.mkdir()
    for file in source.iterdir():
        if file.is_file():
            (target / file.name).write_bytes(file.read_bytes())
    return target


def script(*words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(fixtures.ROOT / "scripts" / "new_parser.py"), *map(str, words)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip


def test_a_new_parser_reads_its_example_at_once(tmp_path: Path) -> None:
    done = script("my-layout", "--root", tmp_path)
    assert done.returncode == 0, done.stderr
    folder = tmp_path / "fixtures" / "my-layout"
    parser = registry.from_profile((folder / "profile.toml").read_text("utf-8"), "stub")
    dump = fixtures.dump_of(folder / "example.csv")
    assert registry.choose(dump, [*registry.shipped(), parser]).claims == ("my-layout",)
    extract = parser.parse(dump)
    assert account.check(dump, extract) == ()
    assert (len(extract.readings), len(extract.faults)) == (3, 0)
    assert script("my-layout", "--root", tmp_path).returncode == 1


def test_a_new_parser_is_drafted_from_a_dump(tmp_path: Path) -> None:
    source = fixtures.FOLDER / "semicolon-loss" / "keller.csv"
    done = script("from-dump", "--ship", "--root", tmp_path, "--from", source)
    assert done.returncode == 0, done.stderr
    assert "left open" in done.stdout
    profile = tmp_path / "parsers" / "profiles" / "from-dump.toml"
    parser = registry.from_profile(profile.read_text("utf-8"), "drafted")
    assert len(parser.parse(fixtures.dump_of(source)).readings) == 7


@pytest.mark.parametrize("name", ["Mine", "a", "../up", "x y"])
def test_a_bad_name_makes_nothing(name: str, tmp_path: Path) -> None:
    assert script(name, "--root", tmp_path).returncode == 1
    assert list(tmp_path.iterdir()) == []
