"""A printed document as data: blocks that the typst template draws, gathered into parts.

A part is printed on its own, so that a record of a thousand pages is never held in memory at once.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from reports.glyphs import printable

Block = dict[str, Any]
Cell = str | dict[str, str]
Row = Sequence[Cell]
"""The cells of one row, each plain text or `toned`; a single `sub` cell is a sub-heading."""

RULE: Cell = {"k": "rule"}
"""A hairline before the row that it begins; it takes no column."""


@dataclass(frozen=True)
class Column:
    """A column of a printed table: heading, width in mm (0 takes what is left), alignment."""

    label: str
    width: float
    align: str = "l"


@dataclass(frozen=True)
class Document:
    """One PDF: its file name without ending, what the template needs, parts and pictures."""

    name: str
    meta: Mapping[str, Any]
    parts: tuple[tuple[Block, ...], ...]
    pictures: Mapping[str, bytes] = field(default_factory=dict)
    """SVG files by the name that chart blocks give."""

    def whole(self) -> Document:
        """Return the same document with all parts in one."""
        return replace(self, parts=(tuple(block for part in self.parts for block in part),))

    def rows(self) -> int:
        """Count printed table rows: the measure of a document's size."""
        return sum(part_rows(part) for part in self.parts)


def part_rows(part: Iterable[Block]) -> int:
    """Count the table rows of one part."""
    return sum(int(block["rows"]) for block in part if block["is"] == "sheet")


def data(
    document: Document,
    part: int,
    first: int = 1,
    total: int | None = None,
    entries: list[tuple[str, int]] | None = None,
) -> bytes:
    """Write what the template reads for one part: page numbers, contents and blocks."""
    blocks = [
        block | {"entries": entries} if block["is"] == "contents" else block
        for block in document.parts[part]
    ]
    value = {"meta": dict(document.meta) | {"first": first, "total": total}, "blocks": blocks}
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode()


def heading(text: str, level: int = 1) -> Block:
    """Make a heading; level 1 appears in the contents."""
    return {"is": "heading", "level": level, "text": printable(text)}


def text(words: str) -> Block:
    """Make a paragraph."""
    return {"is": "text", "text": printable(words)}


def aside(words: str) -> Block:
    """Make a paragraph that stands out."""
    return {"is": "aside", "text": printable(words)}


def pairs(rows: Iterable[tuple[str, str]], first: int = 46) -> Block:
    """Make a list of labels and values; `first` is the width of the labels in mm."""
    return {"is": "pairs", "first": first, "rows": [[printable(k), printable(v)] for k, v in rows]}


def chart(title: str, caption: str, file: str) -> Block:
    """Place a picture with its title and one sentence that says what it shows."""
    return {"is": "chart", "title": title, "caption": printable(caption), "file": file}


FLOW_ROWS = 1000
"""Rows of one flowing table; more of them make further parts."""

BREAK: Block = {"is": "break"}


def toned(tone: str, words: str) -> Cell:
    """Make a cell in a tone: `quiet`, `mark` or `fail`; an empty one stays plain."""
    return {"k": tone, "t": words} if words else ""


def sub(words: str) -> Row:
    """Make a sub-heading over the whole width of a table."""
    return [{"k": "sub", "t": printable(words)}]


def plain(*words: str) -> Row:
    """Make an ordinary row with a hairline above it; long words may break."""
    return [RULE, *(breakable(printable(word)) for word in words)]


def breakable(words: str, letters: int = 12) -> str:
    """Let words of more than `letters` letters break, at no visible cost.

    After a sign inside the word, else after every `letters` letters.
    """
    return re.sub(rf"\S{{{letters + 1},}}", lambda m: _broken(m.group(), letters), words)


def _broken(word: str, letters: int) -> str:
    signed = re.sub(r"([@:_./])(?=.)", "\\1\u200b", word)
    return re.sub(rf"[^\u200b\-\s]{{{letters}}}(?=[^\u200b\s])", "\\g<0>\u200b", signed)


def sheet(
    columns: Sequence[Column],
    pages: Sequence[Sequence[Row]],
    size: float = 9.4,
    air: float = 1.05,
) -> Block:
    """Make a table whose rows are given page by page, or as one page that flows.

    `size` is the type size in points, `air` the space above and below each line in mm.
    """
    return {
        "is": "sheet",
        "size": size,
        "air": air,
        "rows": sum(map(len, pages)),
        "columns": [
            {"label": c.label, "width": c.width or "1fr", "align": c.align} for c in columns
        ],
        # one flat list of cells: the template loops once, which halves its time (measured)
        "pages": [[cell for row in page for cell in row] for page in pages],
    }


def paged(
    rows: Sequence[Row], weights: Sequence[float], first: float, later: float
) -> list[list[Row]]:
    """Cut rows into pages by their height in lines.

    `first` is how many lines the first page takes, `later` every other. Rows that belong together
    (from one RULE to the next) stay on one page unless they are more than a page; a sub-heading
    stays with what follows it.
    """
    groups: list[list[int]] = []
    glued = False
    for i, row in enumerate(rows):
        if glued or (groups and len(row) > 1 and row[0] is not RULE):
            groups[-1].append(i)
        else:
            groups.append([i])
        glued = len(row) == 1
    pages: list[list[Row]] = [[]]
    room = first
    for group in groups:
        need = sum(weights[i] for i in group)
        if pages[-1] and need > room:
            pages.append([])
            room = later
        for i in group:
            if pages[-1] and weights[i] > room:
                pages.append([])
                room = later
            pages[-1].append(rows[i])
            room -= weights[i]
    return pages


def table(
    columns: Sequence[Column], rows: Sequence[Row], nothing: str, size: float = 9.4,
    air: float = 1.05,
) -> list[Block]:  # fmt: skip
    """Make a table that flows over pages, or the sentence that there is nothing.

    A long one comes as several tables, so that `parts_of` can cut between them.
    """
    if not rows:
        return [text(nothing)]
    return [
        sheet(columns, [rows[start : start + FLOW_ROWS]], size, air)
        for start in range(0, len(rows), FLOW_ROWS)
    ]


def parts_of(blocks: Iterable[Block]) -> list[tuple[Block, ...]]:
    """Cut blocks into parts after each table that ran to its full length."""
    made: list[list[Block]] = [[]]
    for block in blocks:
        made[-1].append(block)
        if block["is"] == "sheet" and block["rows"] == FLOW_ROWS:
            made.append([BREAK])
    return [tuple(part) for part in made if part not in ([], [BREAK])]
