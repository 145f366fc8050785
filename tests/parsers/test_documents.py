"""Documents: JSON in objects and in bare arrays, XML in attributes and in elements, read alike."""

from __future__ import annotations

import json
from xml.sax.saxutils import escape, quoteattr

import pytest

from parsers import account, registry
from parsers.dump import Extract
from tests.parsers import fixtures

ROWS = [("E-1 & Ü", "1310", "0.41"), ("E-2", "1550", "dark"), ('E-"3"', "1.31 µm", "1.20")]
PROFILE = """
[profile]
name = "mine"
version = 1
layout = "{layout}"
[recognise]
all = ['.']
[text]
encoding = "utf-8"
[numbers]
decimal_mark = "."
[states]
no-light = ["dark"]
[{layout}]
[[table]]
header = ["{0}", "{1}", "{2}"]
rows = "{rows}"
[table.fields]
label = {{ column = "{0}" }}
wavelength = {{ column = "{1}" }}
[[table.values]]
column = "{2}"
quantity = "attenuation"
unit = "dB"
"""


def as_attributes() -> str:
    rows = (f"<t id={quoteattr(a)} nm={quoteattr(b)} db={quoteattr(c)}/>" for a, b, c in ROWS)
    return f"<tests>{''.join(rows)}</tests>"


def as_elements() -> str:
    rows = (f"<t><id>{escape(a)}</id><nm>{b}</nm>\n<db>{c}</db></t>" for a, b, c in ROWS)
    return f'<x:tests xmlns:x="urn:x">{"".join(rows)}</x:tests>'


def in_objects(rows: list[dict[str, object]]) -> str:
    return json.dumps({"tests": rows})


NAMED = [{"id": a, "nm": b, "db": c} for a, b, c in ROWS]
NESTED = [{"id": a, "at": {"nm": b, "db": c}} for a, b, c in ROWS]
FORMS = {
    "xml attributes": ("xml", "tests/t", ("@id", "@nm", "@db"), as_attributes()),
    "xml elements": ("xml", "tests/t", ("id", "nm", "db"), as_elements()),
    "json objects": ("json", "tests", ("id", "nm", "db"), in_objects(NAMED)),
    "json nested": ("json", "tests", ("id", "at/nm", "at/db"), in_objects(NESTED)),
    "json at the top": ("json", "", ("id", "nm", "db"), json.dumps(NAMED)),
    "json bare arrays": ("json", "tests", ("0", "1", "2"), json.dumps({"tests": ROWS})),
    "json arrays at the top": ("json", "", ("0", "1", "2"), json.dumps(ROWS, indent=1)),
}


def read(form: str) -> Extract:
    layout, rows, columns, body = FORMS[form]
    parser = registry.from_profile(PROFILE.format(*columns, layout=layout, rows=rows), "mine")
    dump = fixtures.dump(body.encode())
    extract = parser.parse(dump)
    assert account.check(dump, extract) == ()
    return extract


@pytest.mark.parametrize("form", FORMS)
def test_every_form_gives_the_same_readings(form: str) -> None:
    extract = read(form)
    assert extract.faults.empty
    assert extract.readings["label"].tolist() == [label for label, _, _ in ROWS]
    assert extract.readings["wavelength_nm"].tolist() == [1310, 1550, 1310]
    assert extract.readings["state"].tolist() == ["ok", "no-light", "ok"]
    assert extract.readings["loss_db"].dropna().tolist() == [0.41, 1.20]
    assert extract.readings["record"].tolist() == [1, 2, 3]
