"""What is not documented fails: commands, options, codes, settings, and pages that are old."""

from __future__ import annotations

import importlib
import pkgutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer.main

import rules.codes
from desk.main import build
from desk.terminal import Exit
from rules.codes import Code

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text("utf-8")


def leaves(command: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    inner = getattr(command, "commands", None)
    if inner is None:
        yield path, command
    else:
        for name in inner:
            yield from leaves(inner[name], (*path, name))


def named(value: object) -> str:
    return " ".join(value) if isinstance(value, tuple) else ""


COMMANDS = list(leaves(typer.main.get_command(build())))


@pytest.mark.parametrize(("path", "command"), COMMANDS, ids=named)
def test_every_command_and_option_says_what_it_does(path: tuple[str, ...], command: Any) -> None:
    assert len(command.help or "") > 20, path
    for parameter in command.params:
        assert getattr(parameter, "help", "x"), (path, parameter.name)
    assert f"`{' '.join(path)}`" in README or f"`{path[0]}`" in README, path


@pytest.mark.parametrize(("path", "command"), COMMANDS, ids=named)
def test_every_command_prints_json(path: tuple[str, ...], command: Any) -> None:
    served = {("page",)}
    assert path in served or any("--json" in p.opts for p in command.params), path


CODES = [
    (module.name, code)
    for module in pkgutil.iter_modules(rules.codes.__path__)
    for registry in vars(importlib.import_module(f"rules.codes.{module.name}")).values()
    if isinstance(registry, dict)
    for code in registry.values()
    if isinstance(code, Code)
]


def test_codes_are_documented() -> None:
    assert len(CODES) > 50
    for module, code in CODES:
        assert code.meaning and code.remedy and code.origin, (module, code.slug)
        assert code.slug == code.slug.lower(), code.slug


def test_docs_are_up_to_date() -> None:
    done = subprocess.run(
        [sys.executable, "scripts/docs.py", "--check"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, f"{done.stdout}{done.stderr}run python3 scripts/docs.py"


def test_every_setting_has_a_meaning() -> None:
    for line in (ROOT / "docs" / "settings.md").read_text("utf-8").splitlines():
        if line.startswith("| `"):
            assert line.split("|")[3].strip(), line


def test_exit_codes_stand_in_the_readme() -> None:
    for code in Exit:
        assert f"| {int(code)} |" in README, code
