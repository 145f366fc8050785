"""Delimited reading against RFC 4180, Python's csv module, pandas and clevercsv."""

from __future__ import annotations

import csv
import io

import clevercsv
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from parsers import delimited, registry, text
from parsers.profile import load
from tests.parsers import fixtures

SKELETON = """
[profile]
name = "plain"
version = 1
layout = "delimited"
[recognise]
all = ['.']
[text]
encoding = "utf-8"
[numbers]
decimal_mark = "."
[delimited]
separator = {separator}
quote = {quote}
multiline = true
[[table]]
header = {header}
[table.fields]
label = {{ column = "c0" }}
[[table.values]]
column = "c1"
unit = "dB"
wavelength_nm = 850
{more}
"""


def plain(width: int, separator: str = ",", quote: str = '"') -> object:
    """Make a profile of `width` columns c0, c1, … of which all are read."""
    import json

    header = [f"c{n}" for n in range(width)]
    more = "".join(
        f'[[table.values]]\ncolumn = "c{n}"\nunit = "dB"\nwavelength_nm = {1000 + n}\n'
        for n in range(2, width)
    )
    return load(
        SKELETON.format(separator=json.dumps(separator), quote=json.dumps(quote),
                        header=json.dumps(header), more=more),
        "plain",
    )  # fmt: skip


def split(body: str, width: int, separator: str = ",", quote: str = '"') -> list[list[str]]:
    """Return the cells that the reader makes of the rows under the titles."""
    raw = delimited.read(plain(width, separator, quote), text.read(body.encode(), "utf-8"))
    assert raw.faults == []
    return [list(row) for rows in raw.rows for row in rows.cells.itertuples(index=False)]


def head(width: int, separator: str = ",") -> str:
    return separator.join(f"c{n}" for n in range(width)) + "\r\n"


CASES = {
    "2.1 each record on its own line": ("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n",
                                        [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    "2.2 the last record may lack a line end": ("aaa,bbb,ccc\r\nzzz,yyy,xxx",
                                                [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    "2.4 empty fields stay fields": ("a,,c\r\n,b,\r\n", [["a", "", "c"], ["", "b", ""]]),
    "2.5 fields may be quoted": ('"aaa","bbb","ccc"\r\nzzz,yyy,xxx\r\n',
                                 [["aaa", "bbb", "ccc"], ["zzz", "yyy", "xxx"]]),
    "2.6 line ends, quotes and separators inside quotes": (
        '"aaa","b\r\nbb","c,c"\r\nzzz,yyy,xxx\r\n',
        [["aaa", "b\nbb", "c,c"], ["zzz", "yyy", "xxx"]],
    ),
    "2.7 a quote inside a field is doubled": ('"aaa","b""bb","ccc"\r\n', [["aaa", 'b"bb', "ccc"]]),
    "2.7 nothing but a quote": ('"""","",""""""\r\n', [['"', "", '""']]),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=str)
def test_rules_of_rfc_4180_section_2(case: str) -> None:
    body, wanted = CASES[case]
    assert split(head(3) + body, 3) == wanted
    as_csv = [row for row in csv.reader(io.StringIO(body.replace("\r\n", "\n"))) if row]
    assert wanted == as_csv
    as_pandas = pd.read_csv(io.StringIO(body.replace("\r\n", "\n")), header=None, dtype=str,
                            keep_default_na=False)  # fmt: skip
    assert wanted == as_pandas.to_numpy().tolist()
    as_clever = list(clevercsv.reader(io.StringIO(body.replace("\r\n", "\n")), delimiter=",",
                                      quotechar='"'))  # fmt: skip
    assert wanted == [row for row in as_clever if row]


CELL = st.text(
    st.characters(codec="utf-8", categories=("L", "N", "P", "S"), include_characters='",;|\n'),
    max_size=8,
).map(str.strip)  # fmt: skip


@given(
    st.integers(2, 5).flatmap(
        lambda width: st.lists(
            st.lists(CELL, min_size=width, max_size=width).filter(any), min_size=1, max_size=6
        )
    ),
    st.sampled_from([",", ";", "\t", "|", ":"]),
    st.sampled_from(['"', "'"]),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    st.sampled_from(["\r\n", "\n"]),
)
@settings(derandomize=True, max_examples=60, deadline=None)
def test_what_the_csv_module_writes_is_read_back_cell_for_cell(
    rows: list[list[str]], separator: str, quote: str, quoting: int, end: str
) -> None:
    width = len(rows[0])
    titles = [f"c{n}" for n in range(width)]
    rows = [row for row in rows if row != titles]
    buffer = io.StringIO()
    csv.writer(buffer, delimiter=separator, quotechar=quote, quoting=quoting,
               lineterminator=end).writerows(rows)  # fmt: skip
    # the csv module leaves a lone carriage return of a cell unquoted; dumps have none in cells
    found = split(head(width, separator) + buffer.getvalue(), width, separator, quote)
    assert found == [[cell.replace("\r", "\n") for cell in row] for row in rows]


@pytest.mark.parametrize(
    "line",
    ['a,"b,c', 'a,"b"c,d', 'a,b"c,d', '"a""b,c,d', 'a, "b",c'],
)  # fmt: skip
def test_a_bad_quote_spoils_one_line_only(line: str) -> None:
    profile = plain(3).model_copy(
        update={"delimited": plain(3).delimited.model_copy(update={"multiline": False})}
    )
    body = head(3) + f"x,1,2\r\n{line}\r\ny,3,4\r\n"
    raw = delimited.read(profile, text.read(body.encode(), "utf-8"))
    assert [fault.code for fault in raw.faults] == ["quote-unbalanced"]
    assert raw.rows[0].cells["c0"].tolist() == ["x", "y"]
    assert raw.rows[0].first.tolist() == [2, 4]


def test_a_table_of_strange_width_is_a_fault_per_row() -> None:
    body = head(3) + "a,1\r\nb,1,2,3\r\nc,1,2\r\n"
    raw = delimited.read(plain(3), text.read(body.encode(), "utf-8"))
    assert [(f.line, f.code) for f in raw.faults] == [(2, "field-count"), (3, "field-count")]
    assert raw.faults[1].expected == "3 fields; this row has 4"


def test_changed_titles_are_held_and_told() -> None:
    """A renamed column must never be read as another one."""
    file = fixtures.FOLDER / "wide-slots" / "tuesday.txt"
    data = file.read_bytes().replace(b"Slot\tUse\tName", b"Slot\tUse\tLink")
    parser = fixtures.parser_of(file)
    assert parser.recognise(fixtures.dump(data)).level == "maybe"
    extract = parser.parse(fixtures.dump(data))
    assert len(extract.readings) == 0
    assert "header-missing" in set(extract.faults["code"])


def test_shipped_profiles_have_fixtures() -> None:
    for parser in registry.shipped():
        assert (fixtures.FOLDER / parser.name).is_dir(), parser.name
