"""Load a plan sheet as a new plan revision; every error with its row and column."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from ingest import arrow, durable, frames, grids, originals, store
from ingest.errors import BadInput, plainly
from ingest.grids import Grid
from ingest.job import Job
from ingest.session import writing
from rules import columns, plan_labels, tables
from rules.codes import ENVIRONMENTS, FIBRE_TYPES, KINDS

SYNONYMS = {
    "link": "link_id", "id": "link_id", "label": "link_id", "linklabel": "link_id",
    "linkname": "link_id", "fibreid": "link_id", "fiberid": "link_id", "circuit": "link_id",
    "cableid": "cable", "cablename": "cable", "bldg": "building", "level": "floor",
    "storey": "floor", "zone": "area", "from": "a_end", "enda": "a_end", "aside": "a_end",
    "to": "b_end", "endb": "b_end", "bside": "b_end", "buffertube": "tube", "fibre": "strand",
    "fiber": "strand", "fibreno": "strand", "fiberno": "strand", "core": "strand",
    "type": "fibre_type", "fibertype": "fibre_type", "fibreclass": "fibre_type",
    "fiberclass": "fibre_type", "glass": "fibre_type", "length": "length_m",
    "lengthinm": "length_m", "lengthmetres": "length_m", "lengthmeters": "length_m",
    "metres": "length_m", "meters": "length_m", "lengthfrom": "length_source",
    "connectors": "connections", "matedpairs": "connections", "connectorpairs": "connections",
    "joints": "splices", "wavelength": "wavelengths", "wavelengthnm": "wavelengths",
    "wavelengthsnm": "wavelengths", "nm": "wavelengths", "direction": "directions",
    "limits": "limit", "standard": "limit", "budget": "budget_db", "lossbudget": "budget_db",
    "lossbudgetdb": "budget_db", "env": "environment", "minimumdbm": "min_dbm",
    "maximumdbm": "max_dbm",
}  # fmt: skip
"""Usual headers for a column, in lower case without spaces and signs."""

_COLUMNS = [name for name in tables.LINKS if name not in ("position", "budgets")]
_BUDGET = r"(?:loss)?budget(\d{3,4})(?:nm)?(?:db)?"
_FLOATS = ("length_m", "connections", "splices", "budget_db", "min_dbm", "max_dbm")
_MOST_ERRORS = 20
"""Errors named one by one; the rest are counted."""


@dataclass(frozen=True)
class PlanChange:
    """What loading a plan changed against the revision before it."""

    revision: int
    links: int
    added: tuple[str, ...] = ()
    changed: tuple[tuple[str, str], ...] = ()
    """(link_id, the changed columns in words)."""
    removed: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())


def load(job: Job, path: Path, by: str = "") -> PlanChange:
    """Load a plan file as the next revision; raise BadInput and change nothing if it is wrong."""
    with plainly(f"Reading {path}"):
        data = path.read_bytes()
    links, notes = read(data, path.name)
    sha256 = originals.digest(data)
    with writing(job, "plan load") as session:
        number, before = newest(session.connection)
        if number and _last_hash(session.connection) == sha256:
            return PlanChange(number, len(links), notes=("The same file is loaded already.",))
        name = f"{number + 1:04d}-{safe_name(path.name)}"
        with plainly("Keeping the plan"):
            durable.write(job.plans / name, data)
        keep_links(session.connection, sha256, links)
        session.record(
            "plan", {"sha256": sha256, "file": name, "name": path.name, "links": len(links)}, by
        )
    return _change(number + 1, before, links, (*notes, *plan_labels.notes(links)))


def safe_name(name: str) -> str:
    """Make a file name that is legal on every system."""
    return re.sub(r"[^\w.-]+", "_", name).strip("._")[:80] or "file"


def read(data: bytes, name: str) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Read the bytes of a plan: (LINKS, notes); raise BadInput with every row and column."""
    grid = grids.read(data, name, _COLUMNS, SYNONYMS, "link_id", [(_BUDGET, r"budget_\1_db")])
    errors = list(_errors(grid))
    if errors:
        lines = [f"{name}, row {row}, {column}: {text}" for row, column, text in errors]
        more = len(lines) - _MOST_ERRORS
        raise BadInput(*lines[:_MOST_ERRORS], *([f"and {more} more."] if more > 0 else []))
    if grid.frame.empty:
        raise BadInput(f"{name}: no link below the header row.")
    notes = [f"column '{header}' is not known and was not read" for header in grid.unknown]
    return _links(grid), tuple(notes)


def _links(grid: Grid) -> pd.DataFrame:
    """Make LINKS of a grid without errors."""
    frame = grid.frame.copy()
    for name in _FLOATS:
        if name in frame:
            frame[name] = grids.numbers(grid, name)[0]
    frame["kind"] = _kind(frame)
    frame["fibre_type"] = _spelled(frame["fibre_type"], FIBRE_TYPES)
    for name in ("environment", "directions"):
        if name in frame:
            frame[name] = frame[name].str.lower()
    if "wavelengths" in frame:
        frame["wavelengths"] = _spaced(frame["wavelengths"])
    own = {
        name.split("_")[1]: grids.numbers(grid, name)[0].tolist()
        for name in grid.headers
        if re.fullmatch(r"budget_\d+_db", name)
    }
    frame["budgets"] = [
        _budgets(dict(zip(own, values, strict=True))) for values in zip(*own.values(), strict=True)
    ] if own else ""  # fmt: skip
    frame["position"] = range(1, len(frame) + 1)
    return tables.conform(frame, tables.LINKS)


def _budgets(values: dict[str, float]) -> str:
    present = {nm: value for nm, value in sorted(values.items()) if value == value}
    return json.dumps(present, sort_keys=True) if present else ""


def _kind(frame: pd.DataFrame) -> pd.Series[str]:
    if "kind" not in frame:
        return pd.Series("link", index=frame.index, dtype="str")
    return frame["kind"].str.lower().where(frame["kind"] != "", "link")


def _spelled(text: pd.Series[str], allowed: tuple[str, ...]) -> pd.Series[str]:
    """Write words as the vocabulary does, whatever their case and spaces."""
    loose = text.str.upper().str.replace(r"[\s_-]+", "", regex=True)
    return loose.replace({word.upper().replace("-", ""): word for word in allowed}).astype("str")


def _spaced(text: pd.Series[str]) -> pd.Series[str]:
    """Write lists of wavelengths as space-separated nanometres."""
    return (
        text.str.replace(r"nm", " ", case=False, regex=True)
        .str.replace(r"[\s,;/+&]+", " ", regex=True)
        .str.strip()
    )


def _errors(grid: Grid) -> Iterator[tuple[int, str, str]]:
    """Yield (row, column as written, what is wrong) in order of the sheet."""
    found: list[tuple[int, str, str]] = []
    frame, header = grid.frame, grid.headers
    for name in ("link_id", "fibre_type"):
        if name not in frame:
            found.append((grid.rows[0] - 1 if grid.rows else 1, name, "this column is missing."))
    if found:
        yield from found
        return

    def say(name: str, bad: pd.Series[bool], expected: str) -> None:
        for at in bad.to_numpy().nonzero()[0]:
            value = frame[name].iloc[at] if name in frame else ""
            found.append((grid.rows[at], header.get(name, name), f"found '{value}'; {expected}."))

    ids = frame["link_id"]
    say("link_id", ids == "", "each row needs its link")
    first = dict(zip(reversed(ids.tolist()), reversed(grid.rows), strict=True))
    for at in ids.duplicated().to_numpy().nonzero()[0]:
        if ids.iloc[at]:
            found.append((grid.rows[at], header["link_id"],
                          f"'{ids.iloc[at]}' stands already in row {first[ids.iloc[at]]}; "
                          "each link once."))  # fmt: skip
    for row, name in grid.dates:
        found.append(
            (row, header[name], "the workbook turned this cell into a date; format it as text.")
        )
    say("fibre_type", ~_spelled(frame["fibre_type"], FIBRE_TYPES).isin(FIBRE_TYPES),
        "one of " + ", ".join(FIBRE_TYPES))  # fmt: skip
    for name, allowed in (("kind", KINDS), ("environment", ENVIRONMENTS),
                          ("directions", ("a-b", "b-a", "both"))):  # fmt: skip
        if name in frame:
            say(name, ~frame[name].str.lower().isin(("", *allowed)), "one of " + ", ".join(allowed))
    for name in header:
        if name in _FLOATS or re.fullmatch(r"budget_\d+_db", name):
            value, wrong = grids.numbers(grid, name)
            say(
                name, wrong, "a number" + (" of metres, such as 85.5" if name == "length_m" else "")
            )
            if not name.endswith("dbm"):
                say(name, value < 0, "not less than 0")
            if name in ("connections", "splices"):
                say(name, value.notna() & (value % 1 != 0), "a whole number")
    if "wavelengths" in frame:
        listed = _spaced(frame["wavelengths"])
        say("wavelengths", ~listed.str.fullmatch(r"(\d{3,4}( \d{3,4})*)?"),
            "nanometres, such as '850 1300'")  # fmt: skip
    _power_needs(grid, say)
    yield from sorted(found, key=lambda error: error[0])


def _power_needs(grid: Grid, say: Any) -> None:
    """A level test needs the level: min_dbm, max_dbm, or both in order."""
    power = _kind(grid.frame) == "power"
    nothing = pd.Series(float("nan"), index=grid.frame.index)
    low = grids.numbers(grid, "min_dbm")[0] if "min_dbm" in grid.frame else nothing
    high = grids.numbers(grid, "max_dbm")[0] if "max_dbm" in grid.frame else nothing
    say("min_dbm", power & low.isna() & high.isna(), "a power test needs min_dbm or max_dbm")
    say("min_dbm", low > high, "min_dbm is not above max_dbm")


def keep_links(connection: Any, sha256: str, links: pd.DataFrame) -> None:
    """Store the links of a plan file once."""
    found = connection.execute("SELECT 1 FROM plan_link WHERE plan = ?", (sha256,)).fetchone()
    if found is None:
        with store.transaction(connection):
            plan = {"plan": [sha256] * len(links)}
            frames.insert(connection, "plan_link", links, tables.LINKS, plan)
            keep_columns(connection, sha256, links)


def keep_columns(connection: Any, sha256: str, links: pd.DataFrame) -> None:
    """Store a plan's links once more, column by column: what every evaluation reads."""
    data = arrow.pack(arrow.table(tables.conform(links, tables.LINKS)))
    connection.execute("INSERT INTO plan_columns VALUES (?, ?)", (sha256, data))


def from_rows(connection: Any, sha256: str) -> pd.DataFrame:
    """Read a plan's links row by row (LINKS)."""
    listed = ", ".join(f'"{name}"' for name in tables.LINKS)
    sql = f"SELECT {listed} FROM plan_link WHERE plan = ? ORDER BY position"
    return frames.select(connection, sql, (sha256,), tables.LINKS)


def mark(connection: Any) -> tuple[int, str]:
    """Give the number of the newest plan revision and its hash; 0 and nothing before the first."""
    count = connection.execute("SELECT count(*) FROM entry WHERE kind = 'plan'").fetchone()[0]
    return count, _last_hash(connection)


def newest(connection: Any) -> tuple[int, pd.DataFrame]:
    """Give the newest plan revision: (its number, LINKS); 0 and no rows before the first."""
    count, last = mark(connection)
    if not count:
        return 0, tables.empty(tables.LINKS)
    found = connection.execute("SELECT data FROM plan_columns WHERE plan = ?", (last,)).fetchone()
    links = arrow.unpack("The plan", found[0] if found else None).to_pandas()
    return count, _sparing(tables.conform(links, tables.LINKS))


def _sparing(links: pd.DataFrame) -> pd.DataFrame:
    """Let the columns that a plan leaves empty be one column: most plans need few of them."""
    made = {str(name): links[name].array for name in links}
    texts = [name for name, kind in tables.LINKS.items() if kind == "text"]
    empty = [name for name in texts if columns.blank(links[name])]
    for name in empty:
        made[name] = made[empty[0]]
    return pd.DataFrame(made, copy=False)


def _last_hash(connection: Any) -> str:
    row = connection.execute(
        "SELECT json_extract(body, '$.sha256') FROM entry WHERE kind = 'plan' "
        "ORDER BY at DESC, laptop DESC, seq DESC LIMIT 1"
    ).fetchone()
    return str(row[0]) if row else ""


def _change(
    revision: int, before: pd.DataFrame, after: pd.DataFrame, notes: tuple[str, ...]
) -> PlanChange:
    old, new = before.set_index("link_id"), after.set_index("link_id")
    both = new.index[new.index.isin(old.index)]
    names = [name for name in tables.LINKS if name not in ("link_id", "position")]
    left, right = old.loc[both, names], new.loc[both, names]
    differ = (left != right) & ~(left.isna() & right.isna())
    changed = tuple(
        (str(link), ", ".join(differ.columns[row.to_numpy()]))
        for link, row in differ[differ.any(axis=1)].iterrows()
    )
    return PlanChange(
        revision,
        len(after),
        tuple(new.index[~new.index.isin(old.index)]),
        changed,
        tuple(old.index[~old.index.isin(new.index)]),
        notes,
    )
