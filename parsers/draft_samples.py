"""Samples of text: which layout a dump has, where its titles are, and what its rows hold."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field

from parsers import delimited, draft_words, serial, wavelengths
from parsers.draft_toml import pattern, quoted
from parsers.text import Text

MOST_LINES = 5000
"""Lines of a sample that a draft looks at."""
_SEPARATORS = (";", "\t", "|", ",")
_NUMERIC = re.compile(r"[+\-\u2212]?\d+(?:[.,]\d+)*\s*(?:dBm?|[munpµ]?W|nm|m|km)?", re.IGNORECASE)
_KEY_LINE = re.compile(r"\s*([^\W\d][^:=]{0,40}?)\s*([:=])\s*(.*)")
_RULER = re.compile(r"[-=_*#~+. ]{4,}")


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
    doubts: list[str] = field(default_factory=list)


def of_text(text: Text) -> Sample | None:
    """Find the table of a text dump; None where nothing repeats."""
    lines = [(n + 1, text.line(n)) for n in range(min(len(text.starts), MOST_LINES))]
    lines = [(number, line) for number, line in lines if line.strip()]
    if not lines:
        return None
    framed = _framed(lines)
    if framed:
        return framed
    parted = _parted(lines)
    keyed = _keyed(lines)
    if parted and (not keyed or len(parted.rows) * 2 > len(keyed.rows)):
        return parted
    return keyed or _positioned(lines)


def _parted(lines: list[tuple[int, str]]) -> Sample | None:
    best, score = "", 0.0
    counts: dict[str, Counter[int]] = {}
    for separator in _SEPARATORS:
        widths = Counter(
            len(cells) for _, line in lines
            if (cells := delimited.fields(line, separator, '"')) and len(cells) > 2
        )  # fmt: skip
        counts[separator] = widths
        if widths:
            width, often = widths.most_common(1)[0]
            worth = often * (1 + min(width, 10) / 10)
            if worth > score and often >= 2:
                best, score = separator, worth
    if not best or score < len(lines) * 0.4:
        return None
    quote = '"' if any('"' in line for _, line in lines) else ""
    split = [(number, line, delimited.fields(line, best, quote)) for number, line in lines]
    width = counts[best].most_common(1)[0][0]
    parted = [(n, line, [c.strip() for c in row]) for n, line, row in split if row]
    sample = in_table("delimited", parted, width)
    if sample is None:
        return None
    sample.part = [f"separator = {quoted(best)}"] + ([f"quote = {quoted(quote)}"] if quote else [])
    return sample


def in_table(layout: str, rows: list[tuple[int, str, list[str]]], width: int) -> Sample | None:
    """Find titles and rows of `width` cells among lines (number, text, cells)."""
    wide = [(number, line, cells) for number, line, cells in rows if len(cells) == width]
    heads = [(titles_score(cells), -place) for place, (_, _, cells) in enumerate(wide[:60])]
    score, place = max(heads, default=(0, 0))
    titled = score >= 2 or (score == 1 and width <= 2)
    header = wide[-place][2] if titled else [f"field {n}" for n in range(1, width + 1)]
    start = -place + 1 if titled else 0
    body = [row for row in wide[start:] if row[2] != header]
    if not body:
        return None
    sample = Sample(layout, header, [], titled)
    if titled:
        sample.sign = pattern("^" + re.sub(r"\t", "\t", wide[-place][1]).rstrip())
        if all(not cell or draft_unit(cell) for cell in body[0][2]) and any(body[0][2]):
            sample.units = body[0][1]
            body = body[1:]
    taken = {number for number, _, _ in body} | {wide[-place][0] if titled else 0}
    taken |= {number for number, _, cells in rows if titled and cells == header}
    if titled:
        taken -= {number for number, _, _ in wide[:-place]}
    sample.rows = [cells for _, _, cells in body]
    sample.first_row = body[0][0] if body else 0
    sample.outside = [(number, line) for number, line, _ in rows
                      if number not in taken and line != sample.units]  # fmt: skip
    return sample if sample.rows else None


def titles_score(cells: list[str]) -> int:
    """Count the cells that read as column titles; 0 where one reads as a measured value."""
    score = 0
    for cell in cells:
        if not cell:
            continue
        if _NUMERIC.fullmatch(cell):
            digits = re.match(r"\d+", cell)
            if not digits or not wavelengths.nominal(int(digits[0])):
                return 0
            score += 1
        elif re.search(r"\d[.,:/-]\d", cell):
            return 0
        elif draft_words.title_kinds(cell):
            score += 1
    return score


def draft_unit(cell: str) -> bool:
    """Tell whether a cell holds nothing but a unit."""
    return re.sub(r"[\[\]()]", "", cell).strip().lower() in (
        "db", "dbm", "nm", "um", "µm", "m", "km", "ft", "mw", "nw", "µw", "uw", "pw", "s",
    )  # fmt: skip


def _framed(lines: list[tuple[int, str]]) -> Sample | None:
    """Find a serial text whose lines stand between control characters."""
    starts = Counter(line[0] for _, line in lines)
    sign, often = starts.most_common(1)[0]
    if not "\u2400" <= sign <= "\u241f" or often < len(lines) * 0.6:
        return None
    start = chr(ord(sign) - 0x2400)
    ends = Counter(s for _, line in lines for s in line[1:] if "\u2400" <= s <= "\u241f")
    end = ends.most_common(1)[0][0] if ends else ""
    inner, checks = [], []
    for number, line in lines:
        body, _, check = line[1:].rpartition(end) if end else (line[1:], "", "")
        inner.append((number, line, body))
        checks.append((body, check.strip().upper()))
    kind = next((kind for kind in ("xor-8", "sum-8", "crc-16")
                 if all(serial.checksum(kind, body.encode()) == check
                        for body, check in checks)), "none")  # fmt: skip
    best = max(_SEPARATORS, key=lambda s: sum(body.count(s) for _, _, body in inner))
    cells = [(n, line, [c.strip() for c in body.split(best)]) for n, line, body in inner]
    width = Counter(len(row) for _, _, row in cells).most_common(1)[0][0]
    same = [row for _, _, row in cells if len(row) == width]
    sample = Sample("serial", [f"field {n}" for n in range(1, width + 1)], same, titled=False)
    sample.part = [f"start = {quoted(start)}", f"separator = {quoted(best)}"]
    sample.part += [f"end = {quoted(chr(ord(end) - 0x2400))}"] if end else []
    sample.part += [f"checksum = {quoted(kind)}"] if kind != "none" else []
    if kind == "none" and any(check for _, check in checks):
        sample.doubts.append("what follows the end sign is no checksum that profiles know")
    leading = {row[0] for row in same}
    if len(leading) == 1:
        sample.table.append(f"row = {pattern('^' + leading.pop() + best)}")
    sample.sign = pattern("^" + sign)
    sample.outside = [(n, line) for n, line, row in cells if len(row) != width]
    sample.first_row = next(n for n, _, row in cells if len(row) == width)
    return sample


def _keyed(lines: list[tuple[int, str]]) -> Sample | None:
    """Find records as blocks of `key: value` lines."""
    found = [(number, line, _KEY_LINE.fullmatch(line)) for number, line in lines]
    keyed = [(number, line, match) for number, line, match in found if match]
    if len(keyed) < 0.5 * len(lines):
        return None
    keys = Counter(match[1] for _, _, match in keyed)
    begin = next((match[1] for _, _, match in keyed if keys[match[1]] > 1), "")
    if not begin:
        return None
    sign = next(match[2] for _, _, match in keyed)
    records: list[list[dict[str, str]]] = []
    header: dict[str, None] = {}
    again = ""
    outside = [(number, line) for number, line, match in found if not match]
    for number, line, match in keyed:
        if match[1] == begin and (not records or begin != again):
            records.append([{}])
        if not records or match[2] != sign:
            outside.append((number, line))
            continue
        key, row = match[1], records[-1][-1]
        header[key] = None
        if key in row:
            again = again or key
            kept = {k: v for k, v in row.items() if list(row).index(k) < list(row).index(key)}
            records[-1].append(kept)
            row = kept
        row[key] = match[3].strip()
    titles = list(header)
    rows = [[row.get(title, "") for title in titles] for record in records for row in record]
    sample = Sample("blocks", titles, rows, part=[f"separator = {quoted(sign)}"])
    sample.table = [f"begin = {quoted(begin)}"] + ([f"again = {quoted(again)}"] if again else [])
    sample.sign = pattern("^" + begin)
    sample.outside = sorted(outside)
    sample.first_row = next(number for number, _, match in keyed if match[1] == begin)
    return sample


def _positioned(lines: list[tuple[int, str]]) -> Sample | None:
    """Find fields at fixed positions: the columns of blanks that all rows share."""
    rows = [(number, line) for number, line in lines
            if len(re.findall(r"\d+", line)) >= 2 and len(re.split(r"\s{2,}", line.strip())) >= 3
            and not _RULER.fullmatch(line)]  # fmt: skip
    shapes = Counter(len(re.split(r"\s{2,}", line.strip())) for _, line in rows)
    if not shapes:
        return None
    shape = shapes.most_common(1)[0][0]
    rows = [(n, line) for n, line in rows if len(re.split(r"\s{2,}", line.strip())) == shape]
    if len(rows) < 2:
        return None
    spans = _spans([line for _, line in rows])
    above = [(number, line) for number, line in lines if number < rows[0][0]]
    heads = [(titles_score(_cut(line, spans)), number, line) for number, line in above]
    score, place, titles = max(heads, default=(0, 0, ""))
    titled = score >= 2
    header = _cut(titles, spans) if titled else []
    if not titled or len(set(header)) < len(header) or not all(header):
        header = [cell or f"field {n}" for n, cell in enumerate(header, 1)] if header else [
            f"field {n}" for n in range(1, len(spans) + 1)]  # fmt: skip
        header = [f"{cell} {n}" if header.count(cell) > 1 else cell
                  for n, cell in enumerate(header, 1)]  # fmt: skip
    cells = [_cut(line, spans) for _, line in rows]
    sample = Sample("fixed", header, cells, titled)
    digits = all(row[0].isdigit() for row in cells)
    sample.table = ["row = '^ *[0-9]+ '" if digits else "row = '^ *[^ ].*[0-9]'"]
    sample.table += [f"titles = {pattern('^' + titles.rstrip())}"] if titled else []
    sample.table += ["", "[table.columns]"]
    sample.table += [f"{quoted(title)} = [{first + 1}, {last}]"
                     for title, (first, last) in zip(header, spans, strict=True)]  # fmt: skip
    sample.sign = pattern("^" + titles.rstrip()) if titled else ""
    taken = {number for number, _ in rows} | ({place} if titled else set())
    repeated = titles.strip() if titled else None
    sample.outside = [(n, line) for n, line in lines if n not in taken and line.strip() != repeated]
    sample.first_row = rows[0][0]
    if not digits:
        sample.doubts.append("rows are told from other lines by a digit alone; look at `row`")
    return sample


def _spans(lines: list[str]) -> list[tuple[int, int]]:
    """Return (first, last + 1) of each field, grown towards the side where it varies."""
    width = max(len(line) for line in lines)
    filled = [any(place < len(line) and line[place] != " " for line in lines)
              for place in range(width)]  # fmt: skip
    bare: list[tuple[int, int]] = []
    start = -1
    for place, there in enumerate([*filled, False, False]):
        gap = not there and (place + 1 >= width or not filled[min(place + 1, width - 1)])
        if there and start < 0:
            start = place
        elif gap and start >= 0:
            bare.append((start, min(place, width)))
            start = -1
    grown = []
    for number, (first, last) in enumerate(bare):
        before = bare[number - 1][1] if number else 0
        right = all(len(line) >= last and line[last - 1 : last].strip() for line in lines)
        left = bare[number + 1][0] - 1 if number + 1 < len(bare) else last + 8
        grown.append((min(before + 1, first) if number and right else (0 if not number else first),
                      last if right else left))  # fmt: skip
    return [(first, min(last, grown[n + 1][0]) if n + 1 < len(grown) else last)
            for n, (first, last) in enumerate(grown)]  # fmt: skip


def _cut(line: str, spans: list[tuple[int, int]]) -> list[str]:
    return [line[first:last].strip() for first, last in spans]
