"""Serial text: checksums against published check values, frames, and captures cut short."""

from __future__ import annotations

import dataclasses

import pytest

from parsers import account, registry, serial
from tests.parsers import fixtures


@pytest.mark.parametrize(
    ("kind", "data", "wanted"),
    [
        ("crc-16", b"123456789", "31C3"),  # check value of CRC-16/XMODEM
        ("crc-16", b"", "0000"),
        ("xor-8", b"GPGLL,5057.970,N,00146.110,E,142451,A", "27"),  # NMEA 0183, worked sentence
        ("sum-8", bytes([0xFF, 0x02]), "01"),
    ],
)  # fmt: skip
def test_checksums(kind: str, data: bytes, wanted: str) -> None:
    assert serial.checksums(kind, [b"x", data, b""])[1] == wanted


def test_an_incomplete_capture_is_a_fault_beside_its_readings() -> None:
    file = fixtures.FOLDER / "serial-frames" / "whole.bin"
    parser = fixtures.parser_of(file)
    whole = fixtures.dump_of(file)
    assert parser.parse(whole).faults.empty
    broken = dataclasses.replace(whole, complete=False, origin="serial")
    extract = parser.parse(broken)
    assert extract.faults["code"].tolist() == ["capture-incomplete"]
    assert len(extract.readings) == 3
    cut = fixtures.dump(whole.data[: whole.data.index(b"\x02END")])
    assert parser.parse(cut).faults["code"].tolist() == ["capture-incomplete"]


def test_every_flipped_bit_inside_a_frame_is_noticed() -> None:
    """An exclusive or over the text notices each single flipped bit."""
    file = fixtures.FOLDER / "serial-frames" / "whole.bin"
    data = file.read_bytes()
    start = data.index(b"R,1,")
    for place in range(start, start + 18, 3):
        mutant = bytearray(data)
        mutant[place] ^= 1
        extract = fixtures.parser_of(file).parse(fixtures.dump(bytes(mutant)))
        assert set(extract.faults["code"]) & {"checksum-wrong", "frame-broken"}


def test_a_control_character_may_part_the_fields() -> None:
    """As the unit separator of ASCII (ISO 646, 1F) is meant to."""
    file = fixtures.FOLDER / "serial-frames" / "profile.toml"
    text = file.read_text("utf-8").replace('separator = ","', 'separator = "\\u001f"')
    text = text.replace("SM[0-9]+,", "SM[0-9]+").replace("^␂R,", "^␂R").replace("'^R,'", "'^R'")
    parser = registry.from_profile(text, "mine")
    rows = [b"R\x1f%d\x1fE-%d\x1fA\x1f-21.%02d" % (n, n, n) for n in range(1, 4)]
    sums = serial.checksums("xor-8", rows)
    body = b"".join(
        b"\x02%s\x03%s\r" % (row, s.encode()) for row, s in zip(rows, sums, strict=True)
    )
    dump = fixtures.dump(body + b"\x02END\x03\r")
    extract = parser.parse(dump)
    assert account.check(dump, extract) == ()
    assert extract.readings["label"].tolist() == ["E-1", "E-2", "E-3"]
    assert extract.readings["power_dbm"].tolist() == [-21.01, -21.02, -21.03]
    assert extract.faults.empty
