"""The catalogue: every sentence and label that a document shows, looked up by name."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

from reports import resources
from reports.numbers import Style


@dataclass(frozen=True)
class Words:
    """One language's strings and its style of numbers and dates."""

    language: str
    entries: dict[str, Any]
    style: Style

    def __call__(self, name: str, **values: object) -> str:
        """Return the string `section.name` with its `{fields}` filled; KeyError if unknown."""
        section, _, key = name.partition(".")
        text = str(self.entries[section][key])
        return text.format(**values) if values else text

    def label(self, section: str, key: str) -> str:
        """Return the word for a code, or the code itself where a job brings its own."""
        return str(self.entries.get(section, {}).get(key, key))


@cache
def words(language: str = "en") -> Words:
    """Load the catalogue of a language."""
    entries = resources.strings(language)
    return Words(language, entries, Style(**entries["style"]))
