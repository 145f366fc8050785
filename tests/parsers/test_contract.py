"""What every parser must do with every dump, whole, cut, mangled or another's."""

from __future__ import annotations

import pandas as pd
import pytest

from parsers import account, registry
from parsers.dump import Dump, Extract, Parser
from tests.parsers import fixtures
from tests.parsers.test_fixtures import FILES, short

PARSERS = sorted(fixtures.parsers().values(), key=lambda parser: parser.name)


def held(parser: Parser, data: bytes) -> Extract:
    """Parse and prove the account; an exception fails the test by itself."""
    dump = fixtures.dump(data)
    extract = parser.parse(dump)
    assert account.check(dump, extract) == (), parser.name
    return extract


def same(one: Extract, two: Extract) -> None:
    for name in ("readings", "faults", "accounts", "context"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))
    assert (one.questions, one.unit) == (two.questions, two.unit)


def name(parser: object) -> str:
    return parser.name if hasattr(parser, "name") else ""


@pytest.mark.parametrize("file", FILES, ids=short)
def test_same_bytes_give_same_tables(file: object) -> None:
    parser, dump = fixtures.parser_of(file), fixtures.dump_of(file)
    same(parser.parse(dump), parser.parse(dump))


@pytest.mark.parametrize("parser", PARSERS, ids=name)
@pytest.mark.parametrize(
    "data",
    [b"", b"\n", b"\r\n\r\n", b" \t\n", b"\0", b"\0" * 5000, b"\xef\xbb\xbf", b"\xff\xfe",
     b"\xfe\xff\n", b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", b"{}", b"[]", b"[[1]]",
     b"<a/>", b"null", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 9],
    ids=lambda data: data[:8].hex() or "empty",
)  # fmt: skip
def test_no_dump_at_all(parser: Parser, data: bytes) -> None:
    extract = held(parser, data)
    assert len(extract.readings) == 0
    assert len(extract.faults) > 0
    assert parser.recognise(fixtures.dump(data)).level == "no"


@pytest.mark.parametrize("parser", PARSERS, ids=name)
def test_another_parsers_dumps(parser: Parser) -> None:
    first = {file.parent.name: file for file in reversed(FILES)}
    for file in first.values():
        match = parser.recognise(fixtures.dump_of(file))
        assert match.reason
        assert (match.level == "yes") == (file.parent.name == parser.name)
        held(parser, file.read_bytes())


def is_text(parser: Parser) -> bool:
    return parser.profile.layout in ("delimited", "fixed", "blocks", "serial") or (
        parser.profile.json_ is not None and parser.profile.json_.lines
    )


TEXT_FILES = [file for file in FILES if is_text(fixtures.parser_of(file))]


@pytest.mark.parametrize("file", FILES, ids=short)
def test_cut_after_every_line(file: object) -> None:
    data, parser = file.read_bytes(), fixtures.parser_of(file)
    ends = [place + 1 for place, sign in enumerate(data) if sign in b"\r\n"]
    cuts = ends if len(ends) > 3 else range(0, len(data), len(data) // 6)
    whole = len(parser.parse(fixtures.dump(data)).readings)
    for cut in cuts:
        assert len(held(parser, data[:cut]).readings) <= max(whole, 1) + 2


def plain(data: bytes) -> str | None:
    """Return a dump's text with \\n line ends, None where it has a byte-order mark."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return None
    return data.decode("latin-1").replace("\r\n", "\n").replace("\r", "\n")


@pytest.mark.parametrize("file", TEXT_FILES, ids=short)
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"], ids=repr)
def test_line_ends_change_nothing(file: object, end: str) -> None:
    parser, data = fixtures.parser_of(file), file.read_bytes()
    text = plain(data)
    if text is None:
        pytest.skip("a wide encoding")
    changed = held(parser, text.replace("\n", end).encode("latin-1"))
    before = parser.parse(fixtures.dump(data))
    pd.testing.assert_frame_equal(changed.readings, before.readings)
    pd.testing.assert_frame_equal(changed.accounts, before.accounts)


@pytest.mark.parametrize("file", TEXT_FILES, ids=short)
@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_a_byte_order_mark_outweighs_the_profile(file: object, encoding: str) -> None:
    parser, data = fixtures.parser_of(file), file.read_bytes()
    own = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else parser.profile.text.encoding
    try:
        text = data.decode(own)
    except UnicodeDecodeError:
        pytest.skip("a damaged dump")
    changed = held(parser, text.encode(encoding))
    pd.testing.assert_frame_equal(changed.readings, parser.parse(fixtures.dump(data)).readings)
    assert parser.recognise(fixtures.dump(text.encode(encoding))).level == "yes"


@pytest.mark.parametrize("file", TEXT_FILES, ids=short)
def test_a_bad_line_changes_no_other_reading(file: object) -> None:
    parser, data = fixtures.parser_of(file), file.read_bytes()
    text = plain(data)
    if text is None or parser.name == "record-blocks":
        pytest.skip("a wide encoding")
    before = parser.parse(fixtures.dump(data)).readings.drop(columns=["line"])
    lines = text.split("\n")
    for place in range(0, len(lines), 2):
        bad = "\n".join([*lines[:place], "~~ what is this ~~ 1,2;3", *lines[place:]])
        extract = held(parser, bad.encode("latin-1"))
        inside = parser.profile.delimited is not None and parser.profile.delimited.multiline
        if inside and len(extract.readings) != len(before):
            continue
        pd.testing.assert_frame_equal(extract.readings.drop(columns=["line"]), before)


@pytest.mark.parametrize("file", FILES, ids=short)
def test_zero_bytes_anywhere(file: object) -> None:
    parser, data = fixtures.parser_of(file), file.read_bytes()
    for place in range(0, len(data), max(len(data) // 8, 1)):
        held(parser, data[:place] + b"\0\0" + data[place:])


def test_two_claims_hold_the_dump() -> None:
    text = registry.shipped_texts()["wide-slots.toml"]
    twin = registry.from_profile(text.replace('"wide-slots"', '"wide-twin"'), "twin")
    dump = fixtures.dump_of(fixtures.FOLDER / "wide-slots" / "tuesday.txt")
    choice = registry.choose(dump, [*registry.shipped(), twin])
    assert choice.parser is None
    assert choice.claims == ("wide-slots", "wide-twin")
    assert all(match.reason for _, match in choice.matches)


def test_a_wrong_account_is_noticed() -> None:
    file = fixtures.FOLDER / "wide-slots" / "tuesday.txt"
    dump: Dump = fixtures.dump_of(file)
    extract = fixtures.parser_of(file).parse(dump)
    lost = Extract(extract.readings, extract.faults, extract.accounts.iloc[:-1])
    assert account.check(dump, lost) == ("1 lines are not accounted for, the first is 11",)
    doubled = pd.concat([extract.accounts, extract.accounts.tail(1)], ignore_index=True)
    assert account.check(dump, Extract(extract.readings, extract.faults, doubled)) == (
        "line 11 is accounted for twice",
    )
    none = Extract(extract.readings.iloc[:0], extract.faults, extract.accounts)
    assert account.check(dump, none) == ("line 3 is accounted as reading and has none",)
