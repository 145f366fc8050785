"""Samples of documents and workbooks: where the records are and what they hold."""

from __future__ import annotations

from collections import Counter

from parsers import draft_samples, draft_tables, grids, text, trees
from parsers.draft_tables import Sample
from parsers.draft_toml import pattern, quoted
from parsers.trees import Tree, joined


def of_tree(tree: Tree, layout: str) -> Sample | None:
    """Find the elements that repeat most and hold values: they are the records."""
    numeric = Counter[str]()
    for path, scalars in zip(tree.path, tree.scalars, strict=True):
        if any(draft_tables.titles_score([value]) == 0 and value[:1] in "-0123456789"
               for value in scalars.values() if value):  # fmt: skip
            numeric[path] += 1
    leaf = _leafless(tree, layout)
    wanted = [path for path in numeric if path in leaf] or list(numeric)
    if not wanted:
        return None
    base = max(wanted, key=lambda path: (numeric[path], path.count("/")))
    columns: dict[str, None] = {}
    rows: list[dict[str, str]] = []
    for index, path in enumerate(tree.path):
        if path == base:
            row = _inside(tree, index)
            row |= _around(tree, index, base)
            rows.append(row)
            columns |= dict.fromkeys(row)
    header = list(columns)
    sample = Sample(layout, header, [[row.get(name, "") for name in header] for row in rows])
    sample.table = [f"rows = {quoted(base)}"]
    return sample


def _leafless(tree: Tree, layout: str) -> set[str]:
    """List the paths of elements that hold more than their own text."""
    if layout == "json":
        return set(tree.path)
    found = {path for path, scalars in zip(tree.path, tree.scalars, strict=True)
             if set(scalars) - {""}}  # fmt: skip
    return found | {tree.path[parent] for parent in tree.parent if parent >= 0}


def _inside(tree: Tree, index: int) -> dict[str, str]:
    """Return the values in an element and in what lies inside it."""
    row = {name or ".": value for name, value in tree.scalars[index].items()}
    base = tree.path[index]
    for inner in range(index + 1, tree.last[index] + 1):
        step = tree.path[inner][len(base) :].lstrip("/")
        row |= {joined(step, name): value for name, value in tree.scalars[inner].items()}
    return row


def _around(tree: Tree, index: int, base: str) -> dict[str, str]:
    """Return the values of the elements around one, as `../name`, and of their single members."""
    row: dict[str, str] = {}
    up, parent = "../", tree.parent[index]
    while parent >= 0:
        row |= {up + (name or "."): value for name, value in tree.scalars[parent].items()}
        for inner in range(parent + 1, tree.last[parent] + 1):
            path = tree.path[inner]
            if tree.parent[inner] == parent and not base.startswith(path):
                step = path[len(tree.path[parent]) :].lstrip("/")
                row |= {up + joined(step, name): value
                        for name, value in tree.scalars[inner].items()}  # fmt: skip
        up, parent = up + "../", tree.parent[parent]
    return row


def of_json_lines(body: text.Text) -> Sample | None:
    """Find records in a text that holds one JSON document per line."""
    whole, found = Tree(), 0
    size = min(len(body.starts), draft_samples.MOST_LINES)
    for number in range(size):
        line = body.line(number)
        if not line.strip():
            continue
        tree = trees.document(line)
        if isinstance(tree, trees.Broken) or not line.lstrip().startswith("{"):
            continue
        found += 1
        shift = len(whole.path)
        whole.path += tree.path
        whole.parent += [parent + shift if parent >= 0 else -1 for parent in tree.parent]
        whole.last += [last + shift for last in tree.last]
        whole.scalars += tree.scalars
    if found < 2 or found < size * 0.5:
        return None
    sample = of_tree(whole, "json")
    if sample:
        sample.part = ["lines = true"]
    return sample


def of_workbook(book: grids.Grid, decimal_mark: str) -> Sample | None:
    """Find the titles and rows of the sheets."""
    best: Sample | None = None
    named: list[str] = []
    for sheet in book.sheets:
        rows = []
        for place, row in enumerate(sheet.rows[: draft_samples.MOST_LINES]):
            cells = [grids.text(cell, decimal_mark) for cell in row]
            if any(cells):
                rows.append((sheet.first + place, grids.line(row, decimal_mark), cells))
        found = _sheet(rows)
        if found is None:
            continue
        if best is None:
            best = found
            named.append(sheet.name)
            continue
        same = next((one for one in (best, *best.more) if one.header == found.header), None)
        if same is not None:
            same.rows += found.rows
        elif len(best.more) < draft_tables.MOST_TABLES - 1:
            best.more.append(found)
            best.doubts.append(f"sheet '{sheet.name}' has other titles: a table of its own")
        else:
            best.doubts.append(f"sheet '{sheet.name}' is one table too many for a draft")
            continue
        named.append(sheet.name)
        best.outside += found.outside
        best.totals += found.totals
    if best is None:
        return None
    if len(named) < len(book.sheets):
        words = "|".join(pattern(name)[1:-1] for name in named)
        best.part = [f"sheet = '^(?:{words})$'", 'others = "ignore"']
        best.doubts.append("sheets without these titles are left out, with that reason")
    return best


def _sheet(rows: list[tuple[int, str, list[str]]]) -> Sample | None:
    """Cut a sheet to the columns under its titles and find the table there."""
    scores = [(draft_tables.titles_score(cells), -place)
              for place, (_, _, cells) in enumerate(rows[:60])]  # fmt: skip
    score, place = max(scores, default=(0, 0))
    if score < 2:
        return None
    cells = rows[-place][2]
    filled = [n for n, cell in enumerate(cells) if cell]
    first, last = filled[0], filled[-1] + 1
    cut = [(number, line, row[first:last] + [""] * (last - first - len(row[first:last])))
           for number, line, row in rows]  # fmt: skip
    table = [(n, line, row) for n, line, row in cut if sum(map(bool, row)) > 1 or row is cells]
    sample = draft_tables.in_table("workbook", table, last - first)
    if sample is None:
        return None
    taken = {number for number, _, _ in table}
    sample.outside = sorted(
        [*sample.outside, *((n, line) for n, line, _ in rows if n not in taken)]
    )
    sample.sign = pattern("\t".join(cells[first:last]).rstrip())
    return sample
