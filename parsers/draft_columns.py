"""What the columns of a sample mean, by their titles and by their values, and how sure that is."""

from __future__ import annotations

import itertools
import re

from parsers import draft_clocks, draft_values, draft_words, numbers, wavelengths
from parsers.draft_values import Column
from parsers.profile_parts import Numbers

_GROUPED = re.compile(r"[+-]?\d{1,3}(?:([ .,'])\d{3})(?:\1\d{3})*([.,]\d+)?")
_IN_TITLE = re.compile(r"(?<!\d)(\d{3,4})(?!\d)\s*(?:nm)?", re.IGNORECASE)


def number_rules(rows: list[list[str]]) -> tuple[Numbers, str]:
    """Find decimal and thousands mark; return them with a doubt in words, or empty."""
    cells = [numbers.split_unit(cell)[0] for row in rows for cell in row]
    grouped = [match for cell in cells if (match := _GROUPED.fullmatch(cell))]
    thousands = {match[1] for match in grouped if match[2] or match[1] in " '"}
    marks = {".": 0, ",": 0}
    three = True
    for cell in cells:
        match = re.fullmatch(r"[+\-\u2212]?\d+([.,])(\d+)", cell)
        if match:
            marks[match[1]] += 1
            three = three and len(match[2]) == 3
    mark = "," if marks[","] > marks["."] else "."
    group = thousands.pop() if len(thousands) == 1 else ""
    rules = Numbers.model_validate(
        {"decimal_mark": mark, "thousands_mark": group if group != mark else ""}
    )
    if marks["."] and marks[","]:
        return rules, (f"numbers have both marks: '.' {marks['.']} times, ',' {marks[',']} times; "
                       f"'{mark}' is proposed as decimal mark")  # fmt: skip
    if not marks["."] and not marks[","]:
        return rules, "no number has decimals, so the decimal mark is not known; '.' is proposed"
    if three:
        return rules, f"every '{mark}' has three digits behind it: it may be a thousands mark"
    return rules, ""


def judge(columns: list[Column], rules: Numbers) -> list[str]:
    """Settle the meaning of every column in place; return what cannot be settled, in words."""
    for column in columns:
        _by_words(column)
        _by_values(column, rules)
    open_ends = _clocks(columns) + _nameless(columns, rules) + _one_of_each(columns)
    return open_ends + draft_values.settle(columns, rules) + _label(columns) + _few_words(columns)


def _by_words(column: Column) -> None:
    kinds = draft_words.title_kinds(column.title)
    nm = _IN_TITLE.search(column.title)
    if nm and wavelengths.nominal(int(nm[1])):
        column.wavelength_nm = int(nm[1])
    column.unit = draft_values.unit(column.title) or column.unit
    column.reasons = list(kinds)


def _by_values(column: Column, rules: Numbers) -> None:
    """Choose between the kinds that the title allows by looking at the cells."""
    cells, kinds = column.filled, column.reasons
    if "limit" in kinds:
        column.kind = ""
        column.reasons = ["a limit or margin, which the job computes itself"]
        return
    if cells and all(numbers.unit_of(cell) for cell in cells):
        column.kind = "unit"
        column.words = {cell: numbers.unit_of(cell) for cell in dict.fromkeys(cells)}
        return
    measured = _numeric_share(cells, rules) >= 0.5 and bool(cells)
    if measured and (column.wavelength_nm or set(kinds) & {"power", "attenuation", "reference"}
                     or column.unit):  # fmt: skip
        column.kind = "value"
        wanted = [kind for kind in kinds if kind in ("power", "attenuation", "reference")]
        column.quantity = wanted[0] if wanted else ""
        return
    numbered = all(map(numbers.whole, cells)) and len(cells) > 2
    if numbered and not kinds and all(int(a) < int(b) for a, b in itertools.pairwise(cells)):
        column.kind = "slot"
        column.doubts.append("taken for the slot, because it counts upwards")
        return
    lit = sum(_is_wavelength(cell, rules) for cell in cells)
    if cells and (lit == len(cells) or ("wavelength" in kinds and lit >= 0.6 * len(cells))):
        column.kind = "wavelength"
        return
    for kind in ("direction", "verdict", "fibre_position", "slot"):
        if kind in kinds and _fits(kind, column):
            column.kind = kind
            return
    if cells and all(draft_words.direction(cell) for cell in cells):
        column.kind = "direction"
        column.words = {cell: draft_words.direction(cell) for cell in dict.fromkeys(cells)}
        return
    if "clock" not in kinds or not cells:
        for kind in ("label", "meter_serial", "source_serial", "operator", "length"):
            if kind in kinds:
                column.kind = kind
                return


def _fits(kind: str, column: Column) -> bool:
    cells = list(dict.fromkeys(column.filled))
    if kind == "direction":
        known = {cell: draft_words.direction(cell) for cell in cells}
        column.words = {cell: way for cell, way in known.items() if way}
        left = [cell for cell in cells if not known[cell]]
        if left:
            column.doubts.append(f"which of a-b and b-a do {_listed(left)} mean?")
        return len(cells) <= 4
    if kind == "verdict":
        known = {cell: draft_words.verdict(cell) for cell in cells}
        column.words = {cell: said for cell, said in known.items() if said}
        left = [cell for cell in cells if not known[cell]]
        if left:
            column.doubts.append(f"do {_listed(left)} mean pass or fail?")
        return len(cells) <= 4
    if kind == "fibre_position":
        return bool(cells) and set(cells) <= {"1", "2"}
    return bool(cells) and all(map(numbers.whole, cells))


def _listed(words: list[str]) -> str:
    return ", ".join(f"'{word}'" for word in words[:5])


def _numeric_share(cells: list[str], rules: Numbers) -> float:
    pattern = numbers.grammar(rules)
    good = sum(bool(pattern.fullmatch(numbers.split_unit(cell)[0])) for cell in cells)
    return good / len(cells) if cells else 0.0


def _is_wavelength(cell: str, rules: Numbers) -> bool:
    value = wavelengths.printed_nm(cell, rules)
    value = value * 1000 if value < 3 else value
    return any(low <= value <= high for _, low, high in wavelengths.WINDOWS)


def _clocks(columns: list[Column]) -> list[str]:
    """Find the clock: one column, or a column of dates with one of times."""
    free = [column for column in columns if not column.kind and column.filled]
    for column in free:
        if "limit" in " ".join(column.reasons):
            continue
        found = draft_clocks.form(column.filled)
        if found and ("clock" in column.reasons or not numbers.whole(column.cells[0])):
            column.form = found
            if found.months:
                column.doubts.append("the names of the months are those of a language's list")
            column.kind = "date" if not re.search("%[HI]", found.format) else "clock"
            if found.format == "iso":
                column.kind = "clock"
    dates = [column for column in columns if column.kind == "date"]
    times = [column for column in free if not column.kind and draft_clocks.is_time(column.filled)]
    if dates and times and dates[0].form:
        layout = f"{dates[0].form.format} {draft_clocks.is_time(times[0].filled)}"
        dates[0].form = draft_clocks.Form(layout, dates[0].form.ask)
        dates[0].kind, times[0].kind = "clock", "clock"
    elif dates:
        dates[0].kind = "clock"
    asked = [column for column in columns if column.form and column.form.ask]
    return [
        f"column '{column.title}': is the day or the month printed first? No number above 12 "
        'settles it in this sample; order = "ask" leaves it to each dump'
        for column in asked
    ]


def _nameless(columns: list[Column], rules: Numbers) -> list[str]:
    """Take columns of decimal numbers for values where no title names one."""
    if any(column.kind == "value" for column in columns):
        return []
    for column in columns:
        decimals = [cell for cell in column.filled if re.search(r"\d[.,]\d", cell)]
        if not column.kind and decimals and _numeric_share(column.filled, rules) >= 0.5:
            column.kind = "value"
    return []


def _few_words(columns: list[Column]) -> list[str]:
    """Ask about columns that sort the rows into a few kinds and that nothing reads."""
    out = []
    dark = not any(c.kind == "wavelength" or c.wavelength_nm for c in columns)
    for column in columns:
        kinds = list(dict.fromkeys(column.filled))
        if not column.kind and "clock" in column.reasons:
            out.append(f"column '{column.title}' looks like a clock, but no format reads "
                       f"{_listed(kinds)}")  # fmt: skip
            continue
        if (dark and codes(column)) or not _sorts(column):
            continue
        if any(re.fullmatch(r"[\d.,:/ -]+", kind) for kind in kinds):
            continue
        out.append(f"column '{column.title}' holds {_listed(kinds)}: if it tells references from "
                   "measurements, name it under fields.quantity; else it is not read")  # fmt: skip
    return out


def _sorts(column: Column) -> bool:
    """Tell whether an unread column sorts the rows into a few kinds."""
    kinds = set(column.filled)
    limit = "limit" in " ".join(column.reasons)
    few = 2 <= len(kinds) <= 5 and len(column.filled) > len(kinds)
    return few and not column.kind and not limit


def codes(column: Column) -> list[str]:
    """List the words of an unread column that may stand for wavelengths, such as `A` and `B`."""
    few = list(dict.fromkeys(column.filled))
    named = "wavelength" in column.reasons and not column.kind and 1 <= len(few) <= 8
    short = all(len(word) <= 4 for word in few) and _sorts(column)
    return few if (named or short) and "clock" not in column.reasons else []


def _one_of_each(columns: list[Column]) -> list[str]:
    """Keep the first column of a field that may stand only once."""
    out, seen = [], set()
    for column in columns:
        if column.kind in ("", "value") or (column.kind == "clock" and column.form is None):
            continue
        if column.kind in seen:
            out.append(f"column '{column.title}' looks like {column.kind} too; it is not read")
            column.kind = ""
        seen.add(column.kind)
    return out


def _label(columns: list[Column]) -> list[str]:
    """Take the column of labels: by its title, else the most various text that is left."""
    if any(column.kind == "label" for column in columns):
        return []
    free = [column for column in columns if column.filled and (
        not column.kind or column.kind in ("fibre_position",))]  # fmt: skip
    free = [column for column in free if not any("limit" in reason for reason in column.reasons)]
    if not free:
        return ["no column looks like labels: which one names the link?"]
    best = max(free, key=lambda column: len(set(column.filled)))
    best.kind = "label"
    best.doubts.append("taken for the labels, because it is the most various text")
    return []
