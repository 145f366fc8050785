"""The data files that ship with the rules, as text: the room's only reader of package data."""

from __future__ import annotations

from functools import cache
from importlib import resources


@cache
def text(name: str) -> str:
    """Return the text of `rules/data/<name>`."""
    return (resources.files("rules") / "data" / name).read_text("utf-8")


@cache
def texts(folder: str) -> dict[str, str]:
    """Return the TOML texts in `rules/data/<folder>` by file name, in alphabetical order."""
    files = (resources.files("rules") / "data" / folder).iterdir()
    found = {f.name: f.read_text("utf-8") for f in files if f.name.endswith(".toml")}
    return dict(sorted(found.items()))
