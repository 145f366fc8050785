"""Tables in split lines: where the titles are, which rows are theirs, and what sums them up."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from parsers import draft_words, wavelengths
from parsers.draft_toml import pattern

MOST_TABLES = 5
"""Tables of a dump that a draft describes. Engineering default, no source."""
_NUMERIC = re.compile(r"[+\-\u2212]?\d+(?:[.,]\d+)*\s*(?:dBm?|[munpµ]?W|nm|m|km)?", re.IGNORECASE)


@dataclass
class Sample:
    """A table found in a dump, and the lines outside it."""

    layout: str
    header: list[str]
    rows: list[list[str]]
    titled: bool = True
    part: list[str] = field(default_factory=list)
    """TOML lines of the layout's own part."""
    table: list[str] = field(default_factory=list)
    """TOML lines that the layout adds to the table."""
    sign: str = ""
    """Recognition pattern for the titles."""
    outside: list[tuple[int, str]] = field(default_factory=list)
    """(line, text) before, between and after the rows."""
    first_row: int = 0
    """Line of the first row; lines before it are preamble."""
    units: str = ""
    """A row of units under the titles, as printed."""
    unit_cells: list[str] = field(default_factory=list)
    """… and its cells."""
    totals: list[tuple[str, str]] = field(default_factory=list)
    """(text, pattern of its beginning) of rows that sum the table up."""
    more: list[Sample] = field(default_factory=list)
    """Further tables of the same dump, with other titles."""
    doubts: list[str] = field(default_factory=list)


def in_table(layout: str, rows: list[tuple[int, str, list[str]]], width: int) -> Sample | None:
    """Find titles and rows of `width` cells among lines (number, text, cells)."""
    wide = [(number, line, cells) for number, line, cells in rows if len(cells) == width]
    heads = [(titles_score(cells), -place) for place, (_, _, cells) in enumerate(wide[:60])]
    score, place = max(heads, default=(0, 0))
    titled = score >= 2 or (score == 1 and width <= 2)
    header = wide[-place][2] if titled else [f"field {n}" for n in range(1, width + 1)]
    start = -place + 1 if titled else 0
    body = [row for row in wide[start:] if row[2] != header]
    sums = [row for row in body if draft_words.totals(next(filter(None, row[2]), ""))]
    body = [row for row in body if row not in sums]
    if not body:
        return None
    sample = Sample(layout, header, [], titled)
    sample.totals = [(line, _start(line, next(filter(None, cells)))) for _, line, cells in sums]
    if titled:
        sample.sign = pattern("^" + re.sub(r"\t", "\t", wide[-place][1]).rstrip())
        if all(not cell or draft_unit(cell) for cell in body[0][2]) and any(body[0][2]):
            sample.units, sample.unit_cells = body[0][1], body[0][2]
            body = [row for row in body if row[1] != sample.units]
    taken = {number for number, _, _ in (*body, *sums)} | {wide[-place][0] if titled else 0}
    taken |= {number for number, _, cells in rows if titled and cells == header}
    if titled:
        taken -= {number for number, _, _ in wide[:-place]}
    sample.rows = [cells for _, _, cells in body]
    sample.first_row = body[0][0] if body else 0
    sample.outside = [(number, line) for number, line, _ in rows
                      if number not in taken and line != sample.units]  # fmt: skip
    return sample if sample.rows else None


def _start(line: str, word: str) -> str:
    """Return a pattern of a line's beginning up to the sign behind a word."""
    end = line.index(word) + len(word) + 1
    return pattern("^" + line[:end])[1:-1] if "'" not in line[:end] else "^" + re.escape(line[:end])


def titles_score(cells: list[str]) -> int:
    """Count the cells that read as column titles; 0 where one reads as a measured value."""
    score = 0
    for cell in cells:
        if not cell or draft_unit(cell):
            continue
        if _NUMERIC.fullmatch(cell):
            digits = re.match(r"\d{1,6}", cell)
            if not digits or not wavelengths.nominal(int(digits[0])):
                return 0
            score += 1
        elif re.search(r"\d[.,:/-]\d", cell):
            return 0
        elif draft_words.title_kinds(cell) or _lit(cell):
            score += 1
    return score


def _lit(title: str) -> bool:
    """Tell whether a title names a wavelength."""
    return any(wavelengths.nominal(int(n)) for n in re.findall(r"(?<!\d)\d{3,4}(?!\d)", title))


def draft_unit(cell: str) -> bool:
    """Tell whether a cell holds nothing but a unit."""
    return re.sub(r"[\[\]()]", "", cell).strip().lower() in (
        "db", "dbm", "nm", "um", "µm", "m", "km", "ft", "mw", "nw", "µw", "uw", "pw", "s",
    )  # fmt: skip


def further(sample: Sample, rows: list[tuple[int, str, list[str]]]) -> None:
    """Find tables with other titles among the lines outside the first one."""
    outside = {number for number, _ in sample.outside}
    left = [row for row in rows if row[0] in outside]
    for place, (_, _, titles) in enumerate(left):
        if len(sample.more) == MOST_TABLES - 1:
            return
        below = [row for row in left[place + 1 :] if len(row[2]) == len(titles)]
        if left[place][0] not in outside or not below or not all(titles) or len(titles) < 3:
            continue
        measured = any(re.search(r"\d[.,]\d", cell) for _, _, row in below for cell in row)
        if titles_score(titles) < 2 or not measured:
            continue
        other = in_table(sample.layout, [left[place], *below], len(titles))
        if other is None or other.header != titles or titles in [
            sample.header, *(one.header for one in sample.more)
        ]:  # fmt: skip
            continue
        sample.more.append(other)
        sample.totals += other.totals
        outside -= {left[place][0], *(number for number, _, _ in below)}
        outside |= {number for number, _ in other.outside}
        sample.doubts.append(f"a second table, '{'; '.join(titles)[:60]}', with "
                             f"{len(other.rows)} rows")  # fmt: skip
    sample.outside = [pair for pair in sample.outside if pair[0] in outside]
