"""Where fixtures are, which parser reads them, and how an extract is written down as JSON."""

from __future__ import annotations

import hashlib
import json
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd

from parsers import registry
from parsers.dump import Dump, Extract, Parser

ROOT = Path(__file__).resolve().parent.parent.parent
FOLDER = ROOT / "fixtures"
NOT_PARSERS = {"jobs", "plugin"}


def dump(data: bytes, name: str = "dump") -> Dump:
    return Dump(data, name, hashlib.sha256(data).hexdigest())


def dump_of(file: Path) -> Dump:
    return dump(file.read_bytes(), file.name)


def files() -> list[Path]:
    """List every example dump, in order of names."""
    found = [f for f in FOLDER.glob("*/*") if f.is_file() and f.parent.name not in NOT_PARSERS]
    return sorted(f for f in found if f.suffix != ".toml" and not f.name.endswith(".expected.json"))


@cache
def parsers() -> dict[str, Parser]:
    """Return the shipped parsers and those whose profile lies beside its fixtures, by name."""
    made = list(registry.shipped())
    for file in sorted(FOLDER.glob("*/profile.toml")):
        made.append(registry.from_profile(file.read_text(encoding="utf-8"), str(file)))
    return {parser.name: parser for parser in made}


def parser_of(file: Path) -> Parser:
    return parsers()[file.parent.name]


def expectation_of(file: Path) -> Path:
    return file.with_name(file.name + ".expected.json")


def observe(file: Path) -> dict[str, Any]:
    """Parse a fixture and return what was found, absent values left out."""
    return plain(parser_of(file).parse(dump_of(file)))


def plain(extract: Extract) -> dict[str, Any]:
    return {
        "readings": _rows(extract.readings),
        "faults": _rows(extract.faults.drop(columns=["dump_sha256", "dump_name", "remedy"])),
        "accounts": _rows(extract.accounts),
        "context": _rows(extract.context),
        "questions": [list(question) for question in extract.questions],
    }


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {key: _value(value) for key, value in row.items() if not _absent(key, value)}
        for row in frame.to_dict("records")
    ]


def _value(value: Any) -> Any:
    if isinstance(value, pd.Timestamp):
        return value.isoformat()
    return round(value, 6) if isinstance(value, float) else value


def _absent(key: str, value: Any) -> bool:
    return bool(pd.isna(value)) or value == "" or (value == 0 and isinstance(value, int)
                                                   and key not in ("slot",))  # fmt: skip


def as_json(found: dict[str, Any]) -> str:
    """Write one row per line, so that a change shows as a change of rows."""
    parts = []
    for key, rows in found.items():
        lines = ",\n".join("  " + json.dumps(row, ensure_ascii=False) for row in rows)
        parts.append(f' "{key}": [\n{lines}\n ]' if rows else f' "{key}": []')
    return "{\n" + ",\n".join(parts) + "\n}\n"
