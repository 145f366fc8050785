"""Codes of faults: what can be wrong in a dump, seen by whoever reads it."""

from __future__ import annotations

from rules.codes import Code, registry


def _fault(slug: str, meaning: str, remedy: str) -> Code:
    return Code(slug, "", meaning, remedy)


FAULTS = registry(
    _fault(
        "empty-dump",
        "The dump holds nothing but blank space.",
        "Dump the meter again; check that its memory was not cleared.",
    ),
    _fault(
        "header-missing",
        "The row of column titles that the profile expects is not in the dump.",
        "Compare the titles with the profile, or draft a profile from this dump.",
    ),
    _fault(
        "rows-missing",
        "The dump holds no row of the tables that the profile describes.",
        "Check that the meter's memory was not empty and that this is its dump.",
    ),
    _fault(
        "line-unknown",
        "A line is neither a row of the table nor anything that the profile describes.",
        "Enter its readings by hand, or describe the line in the profile.",
    ),
    _fault(
        "field-count",
        "A row has more or fewer fields than the table has columns.",
        "Look for a separator inside a field or a row cut short; enter its readings by hand.",
    ),
    _fault(
        "quote-unbalanced",
        "A quoted field is not closed, or text stands beside a closing quote.",
        "Correct a copy of the dump and bring it, or enter the row by hand.",
    ),
    _fault(
        "value-missing",
        "A row of the table holds no value.",
        "If the fibre was tested, test it again or enter the value by hand.",
    ),
    _fault(
        "number-unreadable",
        "A cell that should hold a number holds something else.",
        "Enter the reading by hand, or list the word under [states] of the profile.",
    ),
    _fault(
        "unit-unknown",
        "A value carries a unit that cannot be turned into dB or dBm.",
        "Correct the profile's unit, or enter the reading by hand.",
    ),
    _fault(
        "wavelength-unreadable",
        "The wavelength of a row cannot be read, or is no wavelength of the trade.",
        "Enter the reading by hand, or list the word under the profile's wavelength.",
    ),
    _fault(
        "clock-unreadable",
        "The date or time does not have the form that the profile names.",
        "Correct the profile's clock format; the reading is in, without a time.",
    ),
    _fault(
        "word-unknown",
        "A cell holds a word that the profile does not list.",
        "Add the word to the profile's list for this column.",
    ),
    _fault(
        "slot-unreadable",
        "The number of the memory slot cannot be read.",
        "The reading is in, without a slot; check the profile's column.",
    ),
    _fault(
        "encoding-damaged",
        "Bytes that do not belong to the dump's encoding; they are shown as \\xNN.",
        "Check the profile's encoding, or dump the meter again over a better line.",
    ),
    _fault(
        "control-character",
        "Control characters stand inside the text; they are shown as symbols.",
        "Dump the meter again if the label beside it is wrong.",
    ),
    _fault(
        "line-too-long",
        "A line is longer than any dump's line can be.",
        "Check that this file is a meter's dump.",
    ),
    _fault(
        "columns-too-many",
        "A row has more columns than any dump can have.",
        "Check that this file is a meter's dump.",
    ),
    _fault(
        "document-broken",
        "The file is not a whole document of its kind.",
        "Copy the file from the meter again; keep this one.",
    ),
    _fault(
        "nesting-too-deep",
        "The document is nested deeper than any dump can be.",
        "Check that this file is a meter's dump.",
    ),
    _fault(
        "entities-refused",
        "The XML declares entities or a document type; such files are not read.",
        "Export again without a document type declaration.",
    ),
    _fault(
        "archive-refused",
        "The workbook unpacks to more than it may.",
        "Save the sheet again as plain CSV, or split it.",
    ),
    _fault(
        "sheet-missing",
        "The workbook lacks the sheet that the profile names.",
        "Compare the sheet's name with the profile.",
    ),
    _fault(
        "element-unknown",
        "A part of the document is neither a record nor anything that the profile describes.",
        "Describe it in the profile, or enter its readings by hand.",
    ),
    _fault(
        "column-unknown",
        "Records hold a value that the profile does not name.",
        "Name it in the profile's header, or ignore its path with the reason.",
    ),
    _fault(
        "key-repeated",
        "A key stands twice in one record; only one of its values can be read.",
        "Look at both values in the dump and enter the other one by hand.",
    ),
    _fault(
        "text-outside-columns",
        "Text stands where the profile has blank space, so the columns may have shifted.",
        "Correct the profile's positions, or enter the row by hand.",
    ),
    _fault(
        "frame-broken",
        "A line lacks a sign of its frame.",
        "Dump the meter again; the line may be damaged.",
    ),
    _fault(
        "checksum-wrong",
        "A line's checksum does not agree with its text.",
        "Dump the meter again; the line may be damaged.",
    ),
    _fault(
        "capture-incomplete",
        "The serial capture ended before the meter's end mark.",
        "Dump the meter again from the start.",
    ),
)
