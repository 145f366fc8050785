"""Layouts `json` and `xml`: records as objects or elements, wherever the profile says."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from parsers import lines, trees
from parsers.profile import Profile
from parsers.profile_parts import Table
from parsers.raw import Fault, Mark, Noted, Raw, Rows
from parsers.trees import Tree, joined


@dataclass
class Gathered:
    """The rows of each table so far: (first, last, cells of its columns)."""

    rows: list[list[tuple[int, int, list[str]]]]
    cells: list[list[tuple[str, int, str]]]
    """Per table: each column that is read, how many elements up its value lies, and its path."""
    outer: set[str]
    """Paths that headings, ignore rules and outer columns name."""
    known: set[str]
    """These and the paths of the columns; a path that nothing names is added with its one fault."""
    ignored: dict[str, str]
    """Path to the reason."""


def read(profile: Profile, data: bytes) -> tuple[Raw, list[Fault]]:
    """Read the records of one document; see `Raw`."""
    tree = trees.read(data, profile.layout, profile.text.encoding)
    if isinstance(tree, trees.Broken):
        return lines.refused(data, tree.code, tree.why), []
    raw = Raw(size=len(tree.path), unit="element")
    gathered = gathering(profile)
    take(profile, tree, raw, gathered, None)
    finish(profile, raw, gathered)
    return raw, []


def gathering(profile: Profile) -> Gathered:
    """Begin to gather the rows of a profile's tables."""
    columns = {_absolute(table, title) for table in profile.table for title in table.header}
    ignored = {rule.path: rule.why for rule in profile.ignore if rule.path}
    cells = [[(t, t.count("../"), _inner(t)) for t in lines.used(table)] for table in profile.table]
    outer = _outer(profile)
    return Gathered([[] for _ in profile.table], cells, outer, outer | columns, ignored)


def _inner(title: str) -> str:
    """Return a column's path below the element that holds it; `.` is the element's own text."""
    path = title.rpartition("../")[2]
    return "" if path == "." else path


def take(profile: Profile, tree: Tree, raw: Raw, gathered: Gathered, line: int | None) -> None:
    """Sort the elements of one document into rows, context, ignored and faults.

    `line` is the physical line where each line is a document; else elements number themselves.
    """
    table_of = {table.rows or "": place for place, table in enumerate(profile.table)}
    owner = [table_of.get(path, -1) for path in tree.path]
    flat = _flattened(tree, owner)
    if _without_values(profile, flat, owner):
        flat = _flattened(tree, owner)
    _headings(profile, tree, owner, raw, line)
    holds, within = set[int](), -1
    for index, place in enumerate(owner):
        if place < 0:
            continue
        _row(tree, flat, index, place, line, gathered, raw)
        parent = tree.parent[index]
        while parent >= 0 and parent not in holds:
            holds.add(parent)
            parent = tree.parent[parent]
    for index, place in enumerate(owner):
        if place >= 0:
            within = max(within, tree.last[index])
        elif index in holds:
            _holder(gathered, tree, index, line, raw)
        elif index > within and (line is None or (not holds and max(owner) < 0)):
            within = max(within, _other(gathered, tree, index, line, raw))


def _flattened(tree: Tree, owner: list[int]) -> list[dict[str, str]]:
    """Give each element the values of what lies inside it, short of other rows, by path."""
    flat = [dict(scalars) for scalars in tree.scalars]
    for index in range(len(flat) - 1, 0, -1):
        parent = tree.parent[index]
        if parent < 0 or owner[index] >= 0:
            continue
        step = tree.path[index][len(tree.path[parent]) :].lstrip("/")
        for name, value in flat[index].items():
            path = joined(step, name)
            if path in flat[parent]:
                tree.twice.add((parent, path))
            flat[parent][path] = value
    return flat


def _without_values(profile: Profile, flat: list[dict[str, str]], owner: list[int]) -> bool:
    """Unmark elements at a table's path in which none of its value columns stands."""
    wanted = [{value.column for value in table.values} for table in profile.table]
    changed = False
    for index, place in enumerate(owner):
        if place < 0 or any(column.startswith("../") for column in wanted[place]):
            continue
        if "." not in wanted[place] and not wanted[place] & flat[index].keys():
            owner[index], changed = -1, True
    return changed


def _row(
    tree: Tree,
    flat: list[dict[str, str]],
    index: int,
    place: int,
    line: int | None,
    gathered: Gathered,
    raw: Raw,
) -> None:
    """Take the cells of a record; what the profile does not name in it is a fault, once."""
    first, last = line or index + 1, line or tree.last[index] + 1
    cells = []
    for title, up, name in gathered.cells[place]:
        holder = index
        for _ in range(up):
            holder = tree.parent[holder] if holder >= 0 else -1
        cells.append(flat[holder].get(name, "") if holder >= 0 else "")
        if tree.twice and (holder, name) in tree.twice:
            raw.faults.append(Fault(first, 0, "key-repeated", title, f"'{title}' once in a record"))
    gathered.rows[place].append((first, last, cells))
    start = f"{tree.path[index]}/" if tree.path[index] else ""
    for name, value in flat[index].items():
        path = start + name if name else tree.path[index]
        if path in gathered.known or not value or _below(path, gathered.ignored):
            continue
        gathered.known.add(path)
        raw.faults.append(
            Fault(first, 0, "column-unknown", path, "only what the profile's header lists")
        )


def _below(path: str, ignored: dict[str, str]) -> bool:
    """Tell whether a path lies inside something that is ignored."""
    return any(path.startswith(f"{one}/") for one in ignored)


def _headings(profile: Profile, tree: Tree, owner: list[int], raw: Raw, line: int | None) -> None:
    """Note the values that headings name, and carry those that hold for the rows.

    In a document the order of members means nothing: a value that stands once holds for all rows.
    """
    rules = {rule.path: rule for rule in profile.heading if rule.path}
    if not rules:
        return
    found: dict[str, list[tuple[int, str]]] = {}
    for index, scalars in enumerate(tree.scalars):
        if owner[index] >= 0:
            continue
        for name, value in scalars.items():
            path = joined(tree.path[index], name)
            if path in rules:
                found.setdefault(path, []).append((line or index + 1, value))
    for path, values in found.items():
        key = rules[path].key or path
        raw.context += [Noted(number, key, value) for number, value in values]
        for carried in rules[path].carry:
            held = raw.carried.setdefault(carried, [])
            alone = len(values) == 1 and line is None
            held += [(0 if alone else number, value, "") for number, value in values]


def _holder(gathered: Gathered, tree: Tree, index: int, line: int | None, raw: Raw) -> None:
    """Keep what an element around rows says of itself."""
    for name, value in tree.scalars[index].items():
        path = joined(tree.path[index], name)
        if value and path not in gathered.outer:
            raw.context.append(Noted(line or index + 1, path, value))
    if line is None:
        raw.marks.append(Mark(index + 1, index + 1, "context", "holds records"))


def _other(gathered: Gathered, tree: Tree, index: int, line: int | None, raw: Raw) -> int:
    """Account for an element that neither is nor holds nor belongs to a row; return its end."""
    path = tree.path[index]
    first, last = line or index + 1, line or tree.last[index] + 1
    if path in gathered.ignored:
        raw.marks.append(Mark(first, last, "ignored", gathered.ignored[path]))
        return tree.last[index]
    said = tree.scalars[index].items()
    inside = {joined(path, name) for name, value in said if value}
    strange = sorted(inside - gathered.outer)
    if not strange:
        raw.marks.append(Mark(first, first, "context", "described by the profile"))
        return index
    raw.faults.append(
        Fault(first, 0, "element-unknown", ", ".join(strange),
              "a record or what the profile describes")
    )  # fmt: skip
    raw.marks.append(Mark(first, last, "fault", "element-unknown"))
    return tree.last[index]


def _outer(profile: Profile) -> set[str]:
    """List the paths that headings, ignore rules and columns outside the record name."""
    named = {rule.path for rule in profile.heading} | {rule.path for rule in profile.ignore}
    found = {path for path in named if path}
    return found | {
        _absolute(table, title)
        for table in profile.table
        for title in table.header
        if title.startswith("../")
    }


def _absolute(table: Table, title: str) -> str:
    """Return a column's path from the top."""
    base = [part for part in (table.rows or "").split("/") if part]
    while title.startswith("../"):
        title, base = title[3:], base[:-1]
    return "/".join([*base, *([] if title == "." else [title])])


def finish(profile: Profile, raw: Raw, gathered: Gathered) -> None:
    """Make tables of the gathered rows; a document without any is a fault."""
    for table, rows in zip(profile.table, gathered.rows, strict=True):
        if rows:
            raw.rows.append(_table(table, rows))
    if not raw.rows:
        paths = ", ".join(repr(table.rows or "") for table in profile.table)
        raw.faults.append(Fault(1, 0, "header-missing", "", f"records at {paths}"))


def _table(table: Table, rows: list[tuple[int, int, list[str]]]) -> Rows:
    used = lines.used(table)
    columns = list(zip(*(cells for _, _, cells in rows), strict=True))
    cells = {title: pd.Series(columns[place], dtype="str") for place, title in enumerate(used)}
    first = np.array([start for start, _, _ in rows], np.int64)
    last = np.array([stop for _, stop, _ in rows], np.int64)
    return Rows(table, pd.DataFrame(cells), first, last, dict.fromkeys(used, 0))
