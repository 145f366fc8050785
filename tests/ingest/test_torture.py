"""The short form of scripts/torture.py; `--long` runs the full counts."""

from __future__ import annotations

import importlib.util
import os
import random
from pathlib import Path
from types import ModuleType

import pytest

pytestmark = pytest.mark.skipif(os.name == "nt", reason="fork and pseudo-terminals")


@pytest.fixture(scope="session")
def torture() -> ModuleType:
    path = Path(__file__).parents[2] / "scripts" / "torture.py"
    spec = importlib.util.spec_from_file_location("torture", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


NAMES = ("kills", "disk-full", "small-disk", "crowd", "serial", "many", "flips", "rebuild")


@pytest.mark.parametrize("name", NAMES)
def test_short(torture: ModuleType, tmp_path: Path, name: str) -> None:
    figures = torture.TRIALS[name](tmp_path, random.Random(3), False)
    assert figures


@pytest.mark.long
@pytest.mark.parametrize("name", NAMES)
def test_long(torture: ModuleType, tmp_path: Path, name: str) -> None:
    figures = torture.TRIALS[name](tmp_path, random.Random(4), True)
    assert figures
    print(name, figures)


def test_every_trial_is_run(torture: ModuleType) -> None:
    assert tuple(torture.TRIALS) == NAMES
