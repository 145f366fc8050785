"""A parser's extract in words: the readings, the faults with their place marked, the account."""

from __future__ import annotations

from typing import TYPE_CHECKING

from desk.terminal import counted, say, show_table

if TYPE_CHECKING:
    from parsers.dump import Dump, Extract

MOST_SHOWN = 12
"""Readings and faults shown one by one."""


def preview(dump: Dump, extract: Extract) -> None:
    """Print the first readings as a table, then the faults."""
    found = counted(len(extract.readings), "reading"), counted(len(extract.faults), "fault")
    say(f"Preview of {dump.name}: {', '.join(found)}")
    rows = extract.readings.head(MOST_SHOWN).to_dict("records")
    for row in rows:
        row["clock"] = "" if str(row["taken_at"]) == "NaT" else str(row["taken_at"])
    show_table(
        [{str(k): v for k, v in row.items()} for row in rows],
        [("line", "line"), ("label", "label"), ("wavelength_nm", "nm"), ("direction", "direction"),
         ("quantity", "quantity"), ("loss_db", "loss dB"), ("power_dbm", "power dBm"),
         ("reference_dbm", "reference dBm"), ("state", "state"), ("value_printed", "printed"),
         ("clock", "clock")],
    )  # fmt: skip
    faults(dump, extract)


def account(dump: Dump, extract: Extract) -> None:
    """Print where every line, sheet row or element went, then the faults."""
    lines = _lines(dump, extract)
    for span in extract.accounts.to_dict("records"):
        for number in range(span["line"], span["end_line"] + 1):
            text = lines.get(number, "")
            if text.strip() or extract.unit != "line":
                say(f"  {number:5d}  {span['kind']:8} {span['why'][:32]:32} | {text[:90]}")
    faults(dump, extract)


def _lines(dump: Dump, extract: Extract) -> dict[int, str]:
    """Return the lines or sheet rows of a dump by number; elements have no text of their own."""
    from parsers import grids, text

    if extract.unit == "row":
        book = grids.read(dump.data)
        rows = [row for sheet in book.sheets for row in sheet.rows] if isinstance(
            book, grids.Grid) else []  # fmt: skip
        return {n: grids.line(row).replace("\t", " | ") for n, row in enumerate(rows, 1)}
    if extract.unit == "element":
        return {}
    body = text.read(dump.data, extract.encoding or text.guessed(dump.data))
    return {n + 1: body.excerpt(n) for n in range(len(body.starts))}


def faults(dump: Dump, extract: Extract) -> None:
    """Print each fault with its line and the bad part marked."""
    lines = _lines(dump, extract)
    for fault in extract.faults.head(MOST_SHOWN).to_dict("records"):
        text = lines.get(fault["line"], "")
        place = f"{fault['line']}" + (f":{fault['column']}" if fault["column"] else "")
        say(f"{dump.name}:{place}  {fault['code']}")
        start = text.find(fault["found"]) if fault["found"] else -1
        if text and start >= 0:
            head = f"{fault['line']:6d} | "
            say(head + text)
            say(" " * (len(head) + start) + "^" * min(len(fault["found"]), len(text) - start))
        elif text:
            say(f"{fault['line']:6d} | {text}")
        say(f"   Found '{fault['found']}'; expected {fault['expected']}.")
        say(f"   {fault['remedy']}")
    more = len(extract.faults) - MOST_SHOWN
    if more > 0:
        say(f"  … and {more} more faults")
