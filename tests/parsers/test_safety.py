"""Hostile dumps: bombs, entities, endless lines, deep nesting, sheets as wide as the world."""

from __future__ import annotations

import io
import zipfile

import numpy as np
import pytest

from parsers import account, grids, registry, trees
from parsers.dump import Extract
from tests.parsers import fixtures


def parsed(name: str, data: bytes) -> Extract:
    dump = fixtures.dump(data)
    extract = fixtures.parsers()[name].parse(dump)
    assert account.check(dump, extract) == ()
    return extract


def archive(parts: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as file:
        for name, data in parts.items():
            file.writestr(name, data)
    return buffer.getvalue()


def test_a_zip_bomb_is_refused_with_its_ratio_named() -> None:
    data = archive({"xl/worksheets/sheet1.xml": b"0" * 30_000_000})
    extract = parsed("loss-book", data)
    assert extract.faults["code"].tolist() == ["archive-refused"]
    assert ":1" in extract.faults["found"][0]


def test_a_bomb_that_lies_about_its_size_is_measured() -> None:
    """The declared size in the archive's directory is no evidence; the stream is unpacked."""
    honest = bytearray(archive({"a.xml": b"0" * 30_000_000}))
    size = (30_000_000).to_bytes(4, "little")
    lying = bytes(honest).replace(size, (100).to_bytes(4, "little"))
    assert lying != bytes(honest)
    refused = grids.read(lying)
    assert isinstance(refused, grids.Refused)
    assert refused.code == "archive-refused"


def test_many_files_and_far_cells_are_refused() -> None:
    many = archive({f"f{n}": b"" for n in range(1001)})
    assert grids.read(many).code == "archive-refused"
    far = archive(
        {"xl/worksheets/sheet1.xml": b'<row><c r="A1"/><c r="XFD1048576"><v>1</v></c></row>'}
    )
    refused = grids.read(far)
    assert "1048576 x 16384" in refused.why


def test_a_broken_workbook_is_a_fault() -> None:
    good = (fixtures.FOLDER / "loss-book" / "cables.xlsx").read_bytes()
    for cut in (10, 200, len(good) // 2, len(good) - 30):
        codes = set(parsed("loss-book", good[:cut]).faults["code"])
        assert codes & {"document-broken", "archive-refused", "header-missing"}


ENTITIES = (
    '<!DOCTYPE levels [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;&a;">]><levels form="3">&b;</levels>',
    '<!DOCTYPE levels [<!ENTITY x SYSTEM "file:///etc/passwd">]><levels form="3">&x;</levels>',
    '<!DOCTYPE levels SYSTEM "http://localhost/levels.dtd"><levels form="3"/>',
)


@pytest.mark.parametrize("body", ENTITIES)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_entities_and_document_types_are_refused(body: str, encoding: str) -> None:
    extract = parsed("xml-records", body.encode(encoding))
    assert extract.faults["code"].tolist() == ["entities-refused"]
    assert len(extract.readings) == 0


def test_an_undeclared_entity_is_a_broken_document() -> None:
    extract = parsed("xml-records", b"<levels form='3'>&x;</levels>")
    assert extract.faults["code"].tolist() == ["document-broken"]


@pytest.mark.parametrize(
    ("name", "data"),
    [("json-sessions", b"[" * 100_000 + b"]" * 100_000),
     ("json-sessions", b'{"a":' * 500 + b"1" + b"}" * 500),
     ("xml-records", b"<a>" * 100_000 + b"</a>" * 100_000),
     ("xml-records", b"<a>" * 200 + b"</a>" * 200)],
)  # fmt: skip
def test_deep_nesting_is_a_fault(name: str, data: bytes) -> None:
    assert parsed(name, data).faults["code"].tolist() == ["nesting-too-deep"]


def test_deep_json_on_a_line_spoils_that_line_only() -> None:
    good = b'{"kind":"loss","slot":1,"name":"R1","t":"20261103081422","db":{"850":-1.2}}\n'
    extract = parsed("json-lines", good + b"[" * 5000 + b"]" * 5000 + b"\n" + good)
    assert extract.faults["code"].tolist() == ["nesting-too-deep"]
    assert extract.readings["line"].tolist() == [1, 3]


@pytest.mark.parametrize("name", ["comma-preamble", "wide-slots", "two-tables", "printer-pages",
                                  "record-blocks", "serial-frames", "json-lines"])  # fmt: skip
def test_an_endless_line_is_one_fault(name: str) -> None:
    """Two million bytes here; the bound is one million, and nothing grows faster than the line."""
    file = next(f for f in fixtures.files() if f.parent.name == name)
    data = file.read_bytes()
    wide = data[:2] in (b"\xff\xfe", b"\xfe\xff")
    line = ("x," * 1_000_000 + "\n").encode("utf-16-le" if wide else "ascii")
    before = fixtures.parser_of(file).parse(fixtures.dump(data))
    end = b"" if data[-1:] in b"\r\n\0" else b"\n"
    extract = parsed(name, data + end + line)
    assert "line-too-long" in set(extract.faults["code"])
    assert len(extract.readings) == len(before.readings)
    assert extract.faults["found"].str.len().max() <= 200


@pytest.mark.parametrize("size", [2_000_000, 30_000_000])
def test_an_endless_value_spoils_its_document(size: int) -> None:
    value = b"x" * size
    body = b'{"format": "light-levels/1", "z": "' + value + b'"}'
    assert parsed("json-sessions", body).faults["code"].tolist() == ["line-too-long"]
    codes = parsed("xml-records", b"<levels form='3'><z>" + value + b"</z></levels>").faults["code"]
    assert codes.tolist() in (["line-too-long"], ["document-broken"])


def test_a_million_columns_are_one_fault() -> None:
    data = (fixtures.FOLDER / "wide-slots" / "tuesday.txt").read_bytes()
    extract = parsed("wide-slots", data + b"\t" * 400_000 + b"x\n" + b"9\t" * 400_000 + b"\n")
    assert extract.faults["code"].tolist() == ["columns-too-many", "columns-too-many"]


def test_zeros_and_noise_are_held_by_every_parser() -> None:
    noise = np.random.default_rng(3).integers(0, 256, 200_000, dtype=np.uint8).tobytes()
    for data in (b"\0" * 2_000_000, noise):
        choice = registry.choose(fixtures.dump(data), fixtures.parsers().values())
        assert choice.parser is None
        assert all(match.reason for _, match in choice.matches)


def test_names_inside_archives_are_no_paths() -> None:
    data = archive({"../../etc/passwd": b"x", "/abs": b"y"})
    assert isinstance(grids.read(data), grids.Refused)


def test_repeated_json_names_are_a_fault() -> None:
    tree = trees.document('{"a": 1, "a": 2}')
    assert isinstance(tree, trees.Tree)
    assert tree.twice == {(0, "a")}
