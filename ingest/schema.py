"""The store's tables: numbered migrations, and derived tables made from the contracts.

| table | what | kept how |
|---|---|---|
| entry | mirror of the journal | append-only |
| chain | how far each journal file was read | mirror |
| dump | one row per original: names, parser, state, its rows in `reading` | rebuilt |
| constant | values that hold for all readings of a dump, stored once | rebuilt, append-only |
| reading | what the parsers read, row by row | rebuilt, append-only |
| reading_columns | the same by column, one Arrow stream per dump | rebuilt, append-only |
| fault, context | what else the parsers read | rebuilt, append-only |
| plan_link | links of each loaded plan | rebuilt, append-only |
| plan_columns | the same by column | rebuilt, append-only |
| derived_… | what `evaluate` gave, newest only | thrown away and written anew |
| derived_block | its tables of a row per reading or test, by column (`ingest.blocks`) | likewise |
| derived_block, `pairing` | what pairing settled, for the next time (`ingest.pairings`) | too |
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from ingest import frames
from rules import tables

if TYPE_CHECKING:
    from sqlite_utils import Database

READING_STATE: tables.Columns = {
    "row": "int", "direction": "few", "wavelength_nm": "int", "power_dbm": "float",
    "reference_dbm": "float", "loss_db": "float", "taken_at": "text", "taken_at_utc": "text",
    "clock_state": "few", "order_basis": "few", "run_id": "few", "duplicate_of": "text",
}  # fmt: skip
"""What the rules add to or change in a stored reading, by its row number."""

PAIR_ROWS: tables.Columns = {"row": "int"} | {
    name: kind for name, kind in tables.PAIRS.items() if name != "reading_id"
}
"""PAIRS with the reading's row number in place of its id."""

LINK_STATES: tables.Columns = {
    "link_id": "text", "tests": "int", "accepted": "int", "failed": "int", "doubtful": "int",
    "no_limit": "int", "missing": "int", "blocked": "int", "waived": "int", "over": "int",
}  # fmt: skip
"""Planned tests of each link by their state, in order of plan; `over` counts its failing grades."""

RETEST_ROWS: tables.Columns = {**tables.RETESTS, "step": "int"}
"""RETESTS with the place of each row in its link's walking order, as `rules.retests.steps` has it:

by it the list is read in order, whichever links' rows were written last."""

DERIVED: Mapping[str, tables.Columns] = {
    "runs": tables.RUNS, "findings": tables.FINDINGS, "questions": tables.QUESTIONS,
    "link_states": LINK_STATES, "completion": tables.COMPLETION, "retests": RETEST_ROWS,
    "balance": tables.BALANCE,
}  # fmt: skip
"""Derived tables kept row by row; each is `derived_NAME` in the store."""

BLOCKS: Mapping[str, tables.Columns] = {
    "limits": tables.LIMIT_ROWS, "grades": tables.GRADES, "test_states": tables.TEST_STATES,
    "link_rows": {"link_id": "text", "row": "int"}, "reading_state": READING_STATE,
    "pairs": PAIR_ROWS,
}  # fmt: skip
"""Derived tables of a row per test or reading, kept by column in `derived_block`: by link, or

by row where KEYED_BY_ROW says so. `link_rows` gives the readings that are paired with a link."""

KEYED_BY_ROW = ("reading_state", "pairs")
FOUND_BY_LINK = ("findings", "retests", "link_states")
"""Derived tables kept row by row of which one link's rows are asked for, or replaced."""

_APPEND_ONLY = ("entry", "constant", "reading", "fault", "context", "plan_link")
_BY_ROW_BEFORE = ("limits", "grades", "test_states", "reading_state", "pairs")
"""What earlier versions kept row by row."""


def migrate(database: Database) -> None:
    """Bring the tables to this version inside the caller's transaction."""
    found = database.execute("PRAGMA user_version").fetchone()[0]
    for number in range(found + 1, VERSION + 1):
        _MIGRATIONS[number](database)
        database.execute(f"PRAGMA user_version = {number}")
    _widen(database)
    # made under other contracts, maybe
    database.execute("DELETE FROM meta WHERE key IN ('derived', 'inputs')")
    for name, columns in DERIVED.items():
        _remake(database, name, columns)
    for name in FOUND_BY_LINK:
        database.table(f"derived_{name}").create_index(
            ["link_id"], index_name=f"derived_{name}_by_link", if_not_exists=True
        )
    _view(database)


def _first(database: Database) -> None:
    """Make the tables of version 1."""
    table = database.table
    table("entry").create(
        {
            "hash": str, "laptop": str, "seq": int, "at": str, "who": str, "kind": str,
            "body": str, "previous": str, "clock": str, "seen": str,
        },
        pk="hash", not_null={"laptop", "seq", "at", "kind", "body"}, strict=True,
    )  # fmt: skip
    table("entry").create_index(["kind", "at", "laptop", "seq"])
    table("chain").create(
        {"laptop": str, "offset": int, "seq": int, "hash": str, "at": str},
        pk="laptop", strict=True,
    )  # fmt: skip
    table("dump").create(
        {
            "id": int, "sha256": str, "name": str, "names": str, "arrived_at": str, "size": int,
            "origin": str, "complete": int, "state": str, "aside": int, "reason": str,
            "parser": str, "parser_version": int, "tries": int, "first_row": int,
            "last_row": int, "varying": str, "lines": str, "questions": str,
        },
        pk="id", strict=True,
    )  # fmt: skip
    table("dump").create_index(["sha256"], unique=True)
    table("constant").create(
        {"dump": int} | frames.declared(tables.EXTRACTED), pk="dump", strict=True
    )
    table("reading").create(
        {"row": int, "dump": int, "reading_id": str} | frames.declared(tables.EXTRACTED),
        pk="row", strict=True,
    )  # fmt: skip
    for name, columns in (("fault", tables.FAULTS), ("context", tables.CONTEXT)):
        own = {"dump": int} | {
            k: v for k, v in frames.declared(columns).items() if not k.startswith("dump_")
        }
        table(name).create(own, strict=True)
        table(name).create_index(["dump"])
    table("plan_link").create(
        {"plan": str} | frames.declared(tables.LINKS), pk=("plan", "position"), strict=True
    )
    table("meta").create({"key": str, "value": str}, pk="key", strict=True)
    for name in _APPEND_ONLY:
        _forbid_changes(database, name)


def _forbid_changes(database: Database, name: str) -> None:
    for act in ("UPDATE", "DELETE"):
        database.execute(
            f"CREATE TRIGGER {name}_no_{act.lower()} BEFORE {act} ON {name} "
            f"BEGIN SELECT RAISE(ABORT, '{name} is append-only'); END"
        )


def _second(database: Database) -> None:
    """Let one reading, one link and what was decided of either be found without a scan."""
    database.table("reading").create_index(["reading_id"])
    database.table("plan_link").create_index(["plan", "link_id"])
    for kind, about in (("act", "subject"), ("answer", "question_id")):
        database.execute(
            f"CREATE INDEX idx_entry_{about} ON entry (json_extract(body, '$.{about}')) "
            f"WHERE kind = '{kind}'"
        )


def _third(database: Database) -> None:
    """Keep the readings of each dump by column too, as evaluations read them."""
    from ingest import readings

    database.table("reading_columns").create(
        {"dump": int, "part": int, "data": bytes}, pk=("dump", "part"), strict=True
    )
    _forbid_changes(database, "reading_columns")
    for dump, first, last in database.execute(
        "SELECT id, first_row, last_row FROM dump WHERE state = 'taken' AND last_row >= first_row"
    ).fetchall():
        rows = readings.from_rows(database.conn, dump, first, last)
        readings.keep_columns(database.conn, dump, tables.conform(rows, readings.WHOLE))


def _fourth(database: Database) -> None:
    """Keep plans, and the derived tables of a row per reading or test, by column, with sums."""
    from ingest import planload

    database.execute("DROP TABLE reading_columns")
    _third(database)
    database.execute("DROP VIEW IF EXISTS readings")
    for name in _BY_ROW_BEFORE:
        database.execute(f"DROP TABLE IF EXISTS derived_{name}")
    database.table("derived_block").create(
        {"name": str, "first": str, "data": bytes}, pk=("name", "first"), strict=True
    )
    database.table("plan_columns").create({"plan": str, "data": bytes}, pk="plan", strict=True)
    _forbid_changes(database, "plan_columns")
    for (plan,) in database.execute("SELECT DISTINCT plan FROM plan_link").fetchall():
        planload.keep_columns(database.conn, plan, planload.from_rows(database.conn, plan))


_MIGRATIONS: Mapping[int, Callable[[Database], None]] = {
    1: _first, 2: _second, 3: _third, 4: _fourth,
}  # fmt: skip
VERSION = max(_MIGRATIONS)


def fingerprint() -> str:
    """Tell one set of contracts from another, so that an unchanged store is opened at once."""
    shape = (
        VERSION,
        tables.EXTRACTED,
        tables.LINKS,
        tables.READINGS,
        DERIVED,
        BLOCKS,
        FOUND_BY_LINK,
    )
    return hashlib.sha256(repr(shape).encode()).hexdigest()[:16]


def _widen(database: Database) -> None:
    """Add columns that a contract gained; older rows keep them absent."""
    for name, columns in (
        ("reading", tables.EXTRACTED), ("constant", tables.EXTRACTED), ("plan_link", tables.LINKS),
    ):  # fmt: skip
        present = set(database.table(name).columns_dict)
        for column, kind in frames.declared(columns).items():
            if column not in present:
                database.table(name).add_column(column, kind)


def _remake(database: Database, name: str, columns: tables.Columns) -> None:
    """Make a derived table, anew where its columns are not the contract's."""
    table = database.table(f"derived_{name}")
    wanted = frames.declared(columns)
    if table.exists():
        if list(table.columns_dict) == list(wanted):
            return
        table.drop()
    table.create(wanted, strict=True)


def _view(database: Database) -> None:
    """Make the view `readings`: every reading as its dump says it, whatever was stored once."""
    own = {
        "reading_id": "r.reading_id", "dump_sha256": "d.sha256", "dump_name": "d.name",
        "parser": "d.parser",
    }  # fmt: skip
    parts = [
        f"{own.get(column, f'coalesce(r.{column}, c.{column})')} AS {column}"
        for column in tables.READINGS
        if column in own or column in tables.EXTRACTED
    ]
    database.execute("DROP VIEW IF EXISTS readings")
    database.create_view(
        "readings",
        f"SELECT {', '.join(parts)} FROM reading r JOIN dump d ON d.id = r.dump "
        "JOIN constant c ON c.dump = r.dump",
    )
