"""Writing a draft as TOML that a person reads, corrects and keeps."""

from __future__ import annotations

import json
import re

_SPECIAL = re.compile(r"([\\.+*?()|\[\]{}^$])")


def quoted(text: str) -> str:
    """Write a TOML string."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def pattern(text: str) -> str:
    """Write text as a TOML string with a pattern that matches it; a leading ^ keeps its meaning."""
    start = "^" if text.startswith("^") else ""
    return raw(start + _SPECIAL.sub(r"\\\1", text.removeprefix("^")))


def raw(text: str) -> str:
    """Write a pattern as a TOML string, literal where TOML allows it."""
    if "'" in text or any(ord(sign) < 32 and sign != "\t" for sign in text):
        return quoted(text)
    return f"'{text}'"


def words(pairs: dict[str, str]) -> str:
    """Write a TOML inline table of words."""
    inside = ", ".join(f"{quoted(key)} = {quoted(value)}" for key, value in pairs.items())
    return f"{{ {inside} }}"


def comments(doubts: list[str]) -> list[str]:
    """Write doubts as comment lines."""
    return [f"# not sure: {doubt}" for doubt in doubts]
