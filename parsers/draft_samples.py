"""Samples of text: which layout a dump has, where its titles are, and what its rows hold."""

from __future__ import annotations

import itertools
import re
from collections import Counter

from parsers import delimited, numbers, serial
from parsers.draft_tables import Sample, further, in_table, titles_score
from parsers.draft_toml import pattern, quoted
from parsers.text import Text

MOST_LINES = 5000
"""Lines of a sample that a draft looks at."""
MOST_JOINED = 20
"""Lines over which one quoted field may reach. Engineering default, no source."""
_SEPARATORS = (";", "\t", "|", ",")
_KEY_LINE = re.compile(r"\s*([^\W\d][^:=]{0,40}?)\s*([:=])\s*(.*)")
_RULER = re.compile(r"[-=_*#~+. ]{4,}")


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
    quote = next((sign for sign in "\"'" if _quotes(lines, best, sign)), "")
    merged, multiline = _logical(lines, quote)
    split = [(number, line, delimited.fields(line, best, quote)) for number, line in merged]
    width = counts[best].most_common(1)[0][0]
    parted = [(n, line, [c.strip() for c in row]) for n, line, row in split if row]
    sample = in_table("delimited", parted, width)
    if sample is None:
        return None
    sample.part = [f"separator = {quoted(best)}"]
    sample.part += [f"quote = {quoted(quote)}"] if quote else []
    sample.part += ["multiline = true"] if multiline else []
    further(sample, parted)
    return sample


def _quotes(lines: list[tuple[int, str]], separator: str, quote: str) -> bool:
    """Tell whether fields begin and end with a quote (RFC 4180, section 2, rule 5)."""
    sign = re.escape(separator)
    opens, closes = re.compile(rf"(?:^|{sign}){quote}"), re.compile(rf"{quote}(?:{sign}|$)")
    return any(opens.search(line) for _, line in lines) and any(
        closes.search(line) for _, line in lines
    )


def _logical(lines: list[tuple[int, str]], quote: str) -> tuple[list[tuple[int, str]], bool]:
    """Join lines over which a quoted field reaches; tell whether there are any."""
    out: list[tuple[int, str]] = []
    place, joined = 0, False
    while place < len(lines):
        number, line = lines[place]
        taken = 1
        while (
            quote and line.count(quote) % 2 and taken < MOST_JOINED and place + taken < len(lines)
        ):
            line = f"{line}\n{lines[place + taken][1]}"
            taken += 1
        if quote and line.count(quote) % 2:
            line, taken = lines[place][1], 1
        out.append((number, line))
        joined = joined or taken > 1
        place += taken
    return out, joined


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
                 if all(serial.checksums(kind, [body.encode()])[0] == check
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
    """Find fields at fixed positions: under a line of titles, the blanks that all rows share."""
    place, titles, heads = _title_line(lines)
    if not titles:
        return None
    above = {re.sub(r"\d+", "0", line) for number, line in lines if number < place}
    rows = [(number, line) for number, line in lines
            if number > place and line.rstrip() != titles and not _RULER.fullmatch(line)
            and re.search(r"\d", line) and re.sub(r"\d+", "0", line) not in above]  # fmt: skip
    if not rows:
        return None
    usual = Counter(len(line.split()) for _, line in rows).most_common(1)[0][0]
    rows = [(number, line) for number, line in rows if len(line.split()) >= usual - 1]
    spans = _spans(heads, [line for _, line in rows])
    header = [title for title, _, _ in heads]
    if spans is None or len(set(header)) < len(header):
        return None
    cells = [[line[first:last].strip() for first, last in spans] for _, line in rows]
    sample = Sample("fixed", header, cells)
    digits = all(numbers.whole(row[0]) for row in cells)
    sample.table = ["row = '^ *[0-9]+ '" if digits else "row = '^ *[^ ].* [^ ]*[0-9]'"]
    sample.table += [f"titles = {pattern('^' + titles)}", "", "[table.columns]"]
    sample.table += [f"{quoted(title)} = [{first + 1}, {last}]"
                     for title, (first, last) in zip(header, spans, strict=True)]  # fmt: skip
    sample.sign = pattern("^" + titles)
    taken = {number for number, _ in rows}
    sample.outside = [(n, line) for n, line in lines if n not in taken and line.rstrip() != titles]
    sample.first_row = rows[0][0]
    if not digits:
        sample.doubts.append("rows are told from other lines by a digit alone; look at `row`")
    return sample


def _title_line(
    lines: list[tuple[int, str]],
) -> tuple[int, str, list[tuple[str, int, int]]]:
    """Return the line of titles: its number, text, and (title, first, last + 1) of each."""
    best: tuple[int, int, str, list[tuple[str, int, int]]] = (1, 0, "", [])
    for number, line in lines[:60]:
        heads = [(m[0], m.start(), m.end()) for m in re.finditer(r"\S+(?: \S+)*", line)]
        score = titles_score([title for title, _, _ in heads])
        if score > best[0]:
            best = (score, number, line.rstrip(), heads)
    return best[1:]


def _spans(heads: list[tuple[str, int, int]], rows: list[str]) -> list[tuple[int, int]] | None:
    """Part the line between neighbouring titles, at the widest run of blanks of all rows."""
    width = max(max(len(line) for line in rows), heads[-1][2]) + 1
    blank = [all(line[place : place + 1] in ("", " ") for line in rows) for place in range(width)]
    cuts = []
    for (_, start, _), (_, begin, end) in itertools.pairwise(heads):
        cut = _gap(blank, start, begin + 1) or _gap(blank, start, min(end, width))
        if cut is None:
            return None
        cuts.append(cut)
    firsts = [0, *(last + 1 for _, last in cuts)]
    ends = [*(first for first, _ in cuts), width + 8]
    # a field may grow into the blanks beside it, all but one of them
    grown = [first - (gap[1] - gap[0]) // 2 for first, gap in zip(firsts[1:], cuts, strict=True)]
    lasts = [end + (gap[1] - gap[0] + 1) // 2 for end, gap in zip(ends, cuts, strict=False)]
    return list(zip([0, *grown], [*lasts, ends[-1]], strict=True))


def _gap(blank: list[bool], start: int, stop: int) -> tuple[int, int] | None:
    """Return first and last place of the widest run of blanks between start and stop."""
    run, best = 0, (0, 0)
    for place in range(start, stop):
        run = run + 1 if blank[place] else 0
        best = max(best, (run, place))
    longest, last = best
    return (last - longest + 1, last) if longest else None
