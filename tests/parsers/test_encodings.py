"""One dump in every encoding that a profile may name, with and without a mark, and damaged."""

from __future__ import annotations

import codecs

import pandas as pd
import pytest

from parsers import account, registry, text
from parsers.dump import Extract
from tests.parsers import fixtures

PROFILE = """
[profile]
name = "mine"
version = 1
layout = "delimited"
[recognise]
all = ['^Prüfling;nm;Dämpfung$']
[text]
encoding = "{encoding}"
[numbers]
decimal_mark = ","
[states]
no-light = ["kein Licht"]
[delimited]
separator = ";"
[[table]]
header = ["Prüfling", "nm", "Dämpfung"]
[table.fields]
label = {{ column = "Prüfling" }}
wavelength = {{ column = "nm" }}
[[table.values]]
column = "Dämpfung"
quantity = "attenuation"
unit = "dB"
"""
BODY = "Prüfling;nm;Dämpfung\nKöln-1;1,31 µm;0,41\nKöln-2;1550;kein Licht\n"
NAMES = ("utf-8", "utf-16-le", "utf-16-be", "cp1252", "latin-1", "cp437", "cp850")


def read(data: bytes, encoding: str) -> Extract:
    parser = registry.from_profile(PROFILE.format(encoding=encoding), "mine")
    dump = fixtures.dump(data)
    assert parser.recognise(dump).level == "yes"
    extract = parser.parse(dump)
    assert account.check(dump, extract) == ()
    return extract


WANTED = read(BODY.encode(), "utf-8").readings


def test_what_is_wanted() -> None:
    assert WANTED["label"].tolist() == ["Köln-1", "Köln-2"]
    assert WANTED["wavelength_nm"].tolist() == [1310, 1550]
    assert WANTED["state"].tolist() == ["ok", "no-light"]


@pytest.mark.parametrize("encoding", NAMES)
def test_every_encoding_gives_the_same(encoding: str) -> None:
    """The bytes are those that Python's own codec writes."""
    found = read(BODY.encode(encoding), encoding)
    assert found.faults.empty
    pd.testing.assert_frame_equal(found.readings, WANTED)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("named", ["utf-8", "cp1252", "utf-16"])
def test_a_mark_outweighs_the_profile(encoding: str, named: str) -> None:
    mark = {"utf-8": codecs.BOM_UTF8, "utf-16-le": codecs.BOM_UTF16_LE,
            "utf-16-be": codecs.BOM_UTF16_BE}[encoding]  # fmt: skip
    pd.testing.assert_frame_equal(read(mark + BODY.encode(encoding), named).readings, WANTED)


def test_damaged_bytes_stay_visible_and_are_told() -> None:
    found = read(BODY.encode().replace("Köln-1".encode(), b"K\xf6ln-1"), "utf-8")
    assert found.readings["label"].tolist() == ["K\\xf6ln-1", "Köln-2"]
    assert found.faults["code"].tolist() == ["encoding-damaged"]
    assert found.faults[["line", "column", "found"]].iloc[0].tolist() == [2, 2, "\\xf6"]
    cut = read(BODY.encode("utf-16-le") + b"\x00", "utf-16-le")
    assert "encoding-damaged" in set(cut.faults["code"])


def test_control_characters_are_shown_as_symbols() -> None:
    assert text.read(b"a\x1bb\x00\n\x0cc\n", "ascii").lines() == ["a␛b␀", "c"]
