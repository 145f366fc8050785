"""Every example dump against its expectation, its account, and the claims of every parser."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from parsers import account, identity, registry
from rules import tables
from rules.codes import DIRECTIONS, QUANTITIES, STATES
from rules.codes.faults import FAULTS
from tests.parsers import fixtures

FILES = fixtures.files()


def short(file: object) -> str:
    return str(file.relative_to(fixtures.FOLDER)) if isinstance(file, Path) else str(file)


def test_there_are_fixtures() -> None:
    assert len(FILES) >= 3


@pytest.mark.parametrize("file", FILES, ids=short)
def test_gives_what_is_expected(file: Path) -> None:
    target = fixtures.expectation_of(file)
    assert target.exists(), f"no expectation: python scripts/expect.py {file}"
    found = json.loads(fixtures.as_json(fixtures.observe(file)))
    assert found == json.loads(target.read_text(encoding="utf-8"))


@pytest.mark.parametrize("file", FILES, ids=short)
def test_accounts_for_every_line_once(file: Path) -> None:
    dump = fixtures.dump_of(file)
    assert account.check(dump, fixtures.parser_of(file).parse(dump)) == ()


@pytest.mark.parametrize("file", FILES, ids=short)
def test_exactly_its_own_parser_claims_it(file: Path) -> None:
    choice = registry.choose(fixtures.dump_of(file), fixtures.parsers().values())
    assert choice.claims == (file.parent.name,)
    assert choice.parser is fixtures.parser_of(file)


@pytest.mark.parametrize("file", FILES, ids=short)
def test_tables_keep_their_contract(file: Path) -> None:
    dump = fixtures.dump_of(file)
    extract = fixtures.parser_of(file).parse(dump)
    for frame, columns in (
        (extract.readings, tables.EXTRACTED),
        (extract.faults, tables.FAULTS),
        (extract.accounts, tables.ACCOUNTS),
        (extract.context, tables.CONTEXT),
    ):
        assert list(frame.columns) == list(columns)
        assert [str(t) for t in frame.dtypes] == [tables.DTYPES[k] for k in columns.values()]
    assert set(extract.readings["quantity"]) <= set(QUANTITIES)
    assert set(extract.readings["state"]) <= set(STATES)
    assert set(extract.readings["direction"]) <= {*DIRECTIONS, ""}
    assert set(extract.faults["code"]) <= set(FAULTS)
    ids = identity.reading_ids(dump.sha256, extract.readings)
    assert ids.is_unique
    assert (extract.readings["state"] == "ok").sum() == (
        extract.readings[["loss_db", "power_dbm", "reference_dbm"]].notna().any(axis=1)
        & (extract.readings["state"] == "ok")
    ).sum()
