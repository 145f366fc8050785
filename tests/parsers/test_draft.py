"""Drafts: every layout from its own dump, four languages, and nothing invented."""

from __future__ import annotations

from pathlib import Path

import clevercsv
import pytest

from parsers import account, registry
from parsers.draft import Draft, draft
from parsers.draft_toml import quoted
from tests.parsers import fixtures
from tests.parsers.test_fixtures import FILES, short


def of(text: str, encoding: str = "utf-8") -> Draft:
    found = draft([fixtures.dump(text.encode(encoding))], "mine")
    for extract in found.extracts:
        assert account.check(fixtures.dump(text.encode(encoding)), extract) == ()
    return found


LANGUAGES = {
    "en": ("Slot;Label;Wavelength;Loss dB;Date;Time",
           "{n};A-{n:02d};1310;0.4{n};{d:02d}.11.2026;09:1{n}"),
    "de": ("Nr;Kennung;Wellenlänge;Dämpfung dB;Datum;Uhrzeit",
           "{n};A-{n:02d};1310;0,4{n};{d:02d}.11.2026;09:1{n}"),
    "fr": ("N°;Repère;Longueur d'onde;Affaiblissement dB;Date;Heure",
           "{n};A-{n:02d};1310;0,4{n};{d:02d}/11/2026;09:1{n}"),
    "es": ("Registro;Etiqueta;Longitud de onda;Atenuación dB;Fecha;Hora",
           "{n};A-{n:02d};1310;0,4{n};{d:02d}/11/2026;09:1{n}"),
}  # fmt: skip


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "utf-16"])
def test_the_words_of_four_languages(language: str, encoding: str) -> None:
    head, row = LANGUAGES[language]
    text = "\n".join([head, *(row.format(n=n, d=12 + n) for n in range(1, 7))]) + "\n"
    found = of(text, encoding)
    assert found.parser is not None, found.open_ends
    readings = found.extracts[0].readings
    assert len(readings) == 6
    assert found.extracts[0].faults.empty
    assert readings["label"].tolist() == [f"A-{n:02d}" for n in range(1, 7)]
    assert readings["slot"].tolist() == list(range(1, 7))
    assert readings["loss_db"].round(2).tolist() == [0.41, 0.42, 0.43, 0.44, 0.45, 0.46]
    assert str(readings["taken_at"][0]) == "2026-11-13 09:11:00"
    assert set(readings["wavelength_nm"]) == {1310}
    if encoding == "cp1252" and language != "en":
        assert any("not UTF-8" in end for end in found.open_ends)


@pytest.mark.parametrize("file", FILES, ids=short)
def test_every_dump_drafts_without_failing(file: Path) -> None:
    found = draft([fixtures.dump_of(file)], "mine")
    assert found.toml or found.open_ends
    if found.parser is not None:
        for extract in found.extracts:
            assert account.check(fixtures.dump_of(file), extract) == ()
    else:
        assert any("not whole" in end for end in found.open_ends) or not found.toml


WHOLE = ["comma-preamble/morning.csv", "wide-slots/tuesday.txt", "semicolon-loss/keller.csv",
         "record-blocks/keller.txt", "printer-pages/two-pages.lst", "json-lines/loss.jsonl",
         "json-sessions/day.json", "xml-records/tower.xml"]  # fmt: skip


@pytest.mark.parametrize("name", WHOLE)
def test_a_draft_reads_as_much_as_the_profile_written_by_hand(name: str) -> None:
    file = fixtures.FOLDER / name
    found = draft([fixtures.dump_of(file)], "mine")
    assert found.parser is not None, found.open_ends
    assert found.parser.recognise(fixtures.dump_of(file)).level == "yes"
    own = fixtures.parser_of(file).parse(fixtures.dump_of(file)).readings
    drafted = found.extracts[0].readings
    assert len(drafted) == len(own)
    assert drafted["label"].tolist() == own["label"].tolist()
    assert drafted["wavelength_nm"].tolist() == own["wavelength_nm"].tolist()


def test_levels_or_negative_losses_are_left_to_a_person() -> None:
    found = of("Label;1310;1550\n" + "".join(f"A-{n};-0.{n}4;-0.{n}1\n" for n in range(1, 8)))
    assert found.parser is None
    assert any("levels in dBm or losses printed negative" in end for end in found.open_ends)
    assert 'unit = "dB"\n' not in found.toml.replace("# unit", "")


def test_day_or_month_first_is_asked_not_guessed() -> None:
    found = of("Label;nm;Loss dB;Taken\n" + "".join(
        f"A-{n};1310;0.4{n};0{n}/04/2026 09:00\n" for n in range(1, 8)))  # fmt: skip
    assert any("day or the month" in end for end in found.open_ends)
    assert 'order = "ask"' in found.toml
    assert found.extracts[0].questions[0][0] == "clock-order-undecided"
    assert found.extracts[0].readings["taken_at"].isna().all()


def test_unknown_words_are_asked_not_guessed() -> None:
    found = of("Label;nm;Loss dB\nA-1;1310;0.41\nA-2;1310;----\nA-3;1310;no light\nA-4;1310;0.4\n")
    assert any("'----'" in end for end in found.open_ends)
    assert found.extracts[0].readings["state"].tolist() == ["ok", "unreadable", "no-light", "ok"]


def test_a_title_shared_by_two_columns_of_fibres_is_asked() -> None:
    found = of("Label;F1 850 dB;F2 850 dB\nA-1;1.41;1.52\nA-2;1.40;1.50\n")
    assert found.parser is None
    assert any("give fibre_position or direction" in end for end in found.open_ends)


def test_sorts_of_rows_are_asked() -> None:
    found = draft([fixtures.dump_of(fixtures.FOLDER / "wide-slots" / "tuesday.txt")], "mine")
    assert any("'set', 'pwr'" in end for end in found.open_ends)


def test_two_samples_of_different_layouts_are_told() -> None:
    files = [
        fixtures.FOLDER / "wide-slots/tuesday.txt",
        fixtures.FOLDER / "comma-preamble/morning.csv",
    ]
    found = draft([fixtures.dump_of(file) for file in files], "mine")
    assert any("another layout" in doubt for doubt in found.unsure)
    assert any("does not claim" in end for end in found.open_ends)


@pytest.mark.parametrize(
    "data", [b"", b"\n\n", b"hello\n", b"\0" * 900, b"<a/>", b"{}", b"PK\x03\x04"]
)
def test_no_dump_gives_no_profile(data: bytes) -> None:
    found = draft([fixtures.dump(data)], "mine")
    assert found.parser is None
    assert found.open_ends


def test_the_same_sample_gives_the_same_draft() -> None:
    file = fixtures.FOLDER / "comma-preamble" / "morning.csv"
    one, two = (draft([fixtures.dump_of(file)], "mine") for _ in (1, 2))
    assert (one.toml, one.sure, one.unsure, one.open_ends) == (
        two.toml, two.sure, two.unsure, two.open_ends
    )  # fmt: skip


def test_a_second_table_is_drafted_and_its_kind_asked() -> None:
    found = of(
        "Slot;Label;nm;Loss dB\n1;A-1;1310;0.41\n2;A-2;1310;0.42\n3;A-3;1310;0.43\n\n"
        "Reference;Wavelength;Level dBm\nREF;1310;-7.02\nREF;1550;-6.88\n"
    )
    assert found.parser is not None, found.open_ends
    assert found.extracts[0].readings["quantity"].tolist() == ["attenuation"] * 3 + ["power"] * 2
    assert any("a second table" in doubt for doubt in found.unsure)
    assert any("hold references?" in end for end in found.open_ends)
    assert found.extracts[0].faults.empty


@pytest.mark.parametrize("codes", [("A", "B"), ("1", "2"), ("short", "long")])
def test_codes_of_wavelengths_are_asked_and_never_guessed(codes: tuple[str, str]) -> None:
    found = of("Slot;Label;WL;Loss dB\n" + "".join(
        f"{n};A-{n};{codes[n % 2]};0.4{n}\n" for n in range(1, 9)))  # fmt: skip
    assert found.parser is None
    assert any("stand for wavelengths" in end and codes[0] in end for end in found.open_ends)
    assert "wavelength_nm" not in found.toml.replace("give wavelength_nm", "")
    assert f'# wavelength = {{ column = "WL", words = {{ "{codes[1]}" = ""' in found.toml
    settled = found.toml.replace("# wavelength = ", "wavelength = ")
    for code, nm in zip(codes, ("1310", "1550"), strict=True):
        settled = settled.replace(f'"{code}" = ""', f'"{code}" = "{nm}"')
    parser = registry.from_profile(settled, "settled")
    assert len(parser.parse(found_dump(codes)).readings) == 8


def found_dump(codes: tuple[str, str]) -> object:
    rows = "".join(f"{n};A-{n};{codes[n % 2]};0.4{n}\n" for n in range(1, 9))
    return fixtures.dump(f"Slot;Label;WL;Loss dB\n{rows}".encode())


def test_a_reference_above_the_rows_is_captured_and_carried_by_a_person_only() -> None:
    file = fixtures.FOLDER / "printer-pages" / "two-pages.lst"
    found = draft([fixtures.dump_of(file)], "mine")
    assert any("does it hold for the rows below?" in end for end in found.open_ends)
    assert found.extracts[0].readings["reference_dbm"].isna().all()
    assert '# if this reference holds for the rows below: carry = ["wavelength", "reference"]' in (
        found.toml
    )
    mended = found.toml.replace('carry = ["wavelength"]\n', 'carry = ["wavelength", "reference"]\n')
    readings = registry.from_profile(mended, "mended").parse(fixtures.dump_of(file)).readings
    assert readings["reference_dbm"].tolist() == [-3.02] * 4 + [-3.37] * 3


def test_several_wavelengths_above_the_rows_are_none_for_them() -> None:
    found = of("Wavelength 1: 1310\nWavelength 2: 1550\n\nSlot;Label;Loss dB;Remark\n"
               "1;A-1;0.41;x\n2;A-2;0.42;y\n")  # fmt: skip
    assert found.parser is None
    assert any("no wavelength is printed for 'Loss dB'" in end for end in found.open_ends)


def test_totals_are_no_readings() -> None:
    found = of("Label;nm;Loss dB\nA-1;1310;0.41\nA-2;1310;0.42\nMean;;0.415\nTotal;2;\n")
    assert found.extracts[0].readings["label"].tolist() == ["A-1", "A-2"]
    assert any("taken for totals" in doubt for doubt in found.unsure)
    assert found.extracts[0].faults.empty


SEPARATED = [file for file in FILES if fixtures.parser_of(file).profile.delimited]


@pytest.mark.parametrize("file", SEPARATED, ids=short)
def test_separator_and_quote_as_clevercsv_finds_them(file: Path) -> None:
    """The draft's own scoring finds what clevercsv's does, which is kept as the outside witness.

    It takes no part in the product: it is slower by orders of magnitude, does not tell quoted line
    ends from torn ones, and gives no account of the rows, titles and units that are scored anyway.
    """
    text = file.read_bytes().decode(fixtures.parser_of(file).profile.text.encoding, "replace")
    sniffed = clevercsv.Sniffer().sniff(text)
    toml = draft([fixtures.dump_of(file)], "mine").toml
    assert f"separator = {quoted(sniffed.delimiter)}\n" in toml
    assert not sniffed.quotechar or f"quote = {quoted(sniffed.quotechar)}\n" in toml


def test_digits_of_other_scripts_are_no_numbers() -> None:
    found = of(
        "Fach;Label;nm;Loss dB\n³;A-1;1310;0.41\n٤;A-2;1310;0.42\n" + "9" * 5000 + ";A;1310;1\n"
    )
    assert found.extracts[0].readings["loss_db"].tolist() == [0.41, 0.42, 1.0]
