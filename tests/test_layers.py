"""The rooms' arrows: who may import whom, and what the pure rooms may not touch."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
ROOMS = ("rules", "parsers", "reports", "ingest", "desk")
PURE = ("rules", "parsers", "reports")
MAY_IMPORT = {
    "rules": {"rules"},
    "parsers": {"parsers", "rules.tables", "rules.codes", "rules.version"},
    "reports": {"reports", "rules"},
    "ingest": {"ingest", "parsers", "rules"},
    "desk": set(ROOMS),
}
WORLD = {
    "os", "sys", "time", "subprocess", "socket", "tempfile", "shutil", "threading", "sqlite3",
    "multiprocessing", "urllib", "http", "requests", "random", "secrets", "platform", "glob",
    "serial", "watchdog", "sqlite_utils", "filelock", "asyncio", "signal", "logging", "locale",
}  # fmt: skip
"""Modules through which a function could see or change the world outside its arguments."""
WORLD_CALLS = {"open", "input", "print", "exec", "eval", "__import__"}
CLOCK_CALLS = {"now", "today", "utcnow"}


def modules(room: str) -> list[Path]:
    return sorted((ROOT / room).rglob("*.py"))


def imports(tree: ast.AST, module: str) -> set[str]:
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module} imports relatively; rooms are named in full"
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


ALL = [(room, path) for room in ROOMS for path in modules(room)]


def name(value: object) -> str:
    return str(value.relative_to(ROOT)) if isinstance(value, Path) else str(value)


@pytest.mark.parametrize(("room", "path"), ALL, ids=name)
def test_imports_follow_the_arrows(room: str, path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for target in imports(tree, name(path)):
        if target.split(".")[0] not in ROOMS:
            continue
        allowed = any(target == a or target.startswith(a + ".") for a in MAY_IMPORT[room])
        assert allowed, f"{name(path)} imports {target}"


@pytest.mark.parametrize(("room", "path"), [p for p in ALL if p[0] in PURE], ids=name)
def test_pure_rooms_touch_no_world(room: str, path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    roots = {target.split(".")[0] for target in imports(tree, name(path))}
    assert not roots & WORLD, f"{name(path)} imports {sorted(roots & WORLD)}"
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        if isinstance(node.func, ast.Name):
            assert node.func.id not in WORLD_CALLS, f"{name(path)}:{node.lineno} {node.func.id}"
        if isinstance(node.func, ast.Attribute):
            assert node.func.attr not in CLOCK_CALLS, f"{name(path)}:{node.lineno} reads a clock"


@pytest.mark.parametrize("room", PURE)
def test_package_data_is_read_in_one_module_per_room(room: str) -> None:
    readers = [
        name(path)
        for path in modules(room)
        if "importlib.resources" in path.read_text(encoding="utf-8")
    ]
    assert len(readers) <= 1, readers


def test_only_one_module_calls_evaluate() -> None:
    callers = [
        name(path)
        for room, path in ALL
        if room in ("ingest", "desk")
        and any(t.startswith("rules.evaluate") and not t.startswith("rules.evaluation")
                for t in imports(ast.parse(path.read_text(encoding="utf-8")), name(path)))
    ]  # fmt: skip
    assert callers == ["ingest/kept.py"]
