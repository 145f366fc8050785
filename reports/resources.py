"""The one module of this room that reads package data: templates, strings, requirement profiles."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any


@cache
def template(name: str) -> str:
    """Return the text of a document template, `record.typ` and the like."""
    return (files("reports") / "templates" / name).read_text(encoding="utf-8")


def templates() -> dict[str, str]:
    """Return every typst template by file name: they import each other."""
    folder = files("reports") / "templates"
    names = sorted(item.name for item in folder.iterdir() if item.name.endswith(".typ"))
    return {name: template(name) for name in names}


@cache
def strings(language: str) -> dict[str, Any]:
    """Return the catalogue of one language; raise KeyError naming the languages there are."""
    folder = files("reports") / "strings"
    have = sorted(item.name[:-5] for item in folder.iterdir() if item.name.endswith(".toml"))
    if language not in have:
        raise KeyError(f"no strings for language {language!r}; there are {', '.join(have)}")
    return tomllib.loads((folder / f"{language}.toml").read_text(encoding="utf-8"))


def requirement_names() -> list[str]:
    """Name the requirement profiles that are shipped."""
    folder = files("reports") / "profiles"
    return sorted(item.name[:-5] for item in folder.iterdir() if item.name.endswith(".toml"))


def requirement(name: str) -> str:
    """Return the TOML text of a shipped requirement profile."""
    return (files("reports") / "profiles" / f"{name}.toml").read_text(encoding="utf-8")
