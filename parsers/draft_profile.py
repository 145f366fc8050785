"""The profile that a draft writes, with what it is not sure of beside each line."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from parsers import draft_columns
from parsers.draft_tables import Sample
from parsers.draft_toml import comments, quoted, words
from parsers.draft_values import Column
from parsers.profile_parts import Numbers


@dataclass
class Work:
    """A draft in the making."""

    encoding: str
    sample: Sample
    tables: list[tuple[Sample, list[Column]]]
    """The sample's tables and what their columns mean."""
    numbers: Numbers
    sure: list[str] = field(default_factory=list)
    unsure: list[str] = field(default_factory=list)
    open_ends: list[str] = field(default_factory=list)
    headings: list[str] = field(default_factory=list)
    """TOML of what stands outside the tables."""
    signs: list[str] = field(default_factory=list)
    """Recognition patterns, as TOML strings."""
    keep: bool = False


def dark(columns: list[Column]) -> list[str]:
    """List the value columns of a table for which no wavelength is printed."""
    if any(column.kind == "wavelength" for column in columns):
        return []
    return [c.title for c in columns if c.kind == "value" and not c.wavelength_nm]


def written(work: Work, name: str) -> str:
    """Write a draft as TOML."""
    sample = work.sample
    signs = ", ".join(work.signs) or "'.'"
    thousands = work.numbers.thousands_mark
    rows = sum(len(part.rows) for part, _ in work.tables)
    about = f"Drafted from {rows} rows; read every line marked not sure."
    lines = [
        *comments(work.open_ends),
        "[profile]", f"name = {quoted(name)}", "version = 1",
        f"about = {quoted(about)}",
        f"layout = {quoted(sample.layout)}", "",
        "[recognise]", f"all = [{signs}]", "",
        "[text]", f"encoding = {quoted(work.encoding)}",
        *(['preamble = "keep"'] if work.keep else []), "",
        "[numbers]", f"decimal_mark = {quoted(work.numbers.decimal_mark)}",
        *([f"thousands_mark = {quoted(thousands)}"] if thousands else []), "",
        f"[{sample.layout}]", *sample.part,
        *work.headings,
    ]  # fmt: skip
    for part, columns in work.tables:
        lines += ["", *_table(work, part, columns)]
    return "\n".join(lines) + "\n"


def _table(work: Work, part: Sample, columns: list[Column]) -> list[str]:
    untitled = not part.titled and part.layout in ("delimited", "serial")
    lines = [
        "[[table]]", f"header = [{', '.join(quoted(title) for title in part.header)}]",
        *(["titled = false"] if untitled else []),
        *_record(work, columns),
        *part.table, "",
        "[table.fields]", *_fields(work, columns),
    ]  # fmt: skip
    for column in columns:
        if column.kind == "value":
            lines += ["", *_value(work, column)]
    return lines


def _record(work: Work, columns: list[Column]) -> list[str]:
    """Join neighbouring rows of one label where each wavelength has a row of its own."""
    label = next((column for column in columns if column.kind == "label"), None)
    if label is None or not any(column.kind == "wavelength" for column in columns):
        return []
    pairs = list(zip(label.cells, label.cells[1:], strict=False))
    if sum(one == two for one, two in pairs) * 3 < len(pairs):
        return []
    work.unsure.append("neighbouring rows with the same label are taken for one record")
    return ['record = ["label"]']


def _fields(work: Work, columns: list[Column]) -> list[str]:
    out = []
    clocks = [column for column in columns if column.kind == "clock"]
    for column in columns:
        out += comments(column.doubts) if column.kind not in ("", "value") else []
        if column.kind in ("", "value") or (column.kind == "clock" and column.form is None):
            continue
        if column.kind == "clock" and column.form:
            places = [quoted(c.title) for c in clocks]
            where = (
                f"column = {places[0]}" if len(places) == 1 else f"columns = [{', '.join(places)}]"
            )
            ask = ', order = "ask"' if column.form.ask else ""
            if column.form.months:
                ask += f", months = [{', '.join(map(quoted, column.form.months))}]"
            out.append(f"clock = {{ {where}, format = {quoted(column.form.format)}{ask} }}")
        else:
            said = f", words = {words(column.words)}" if column.words else ""
            unit = ', unit = "um"' if column.kind == "wavelength" and _micrometres(column) else ""
            out.append(f"{column.kind} = {{ column = {quoted(column.title)}{unit}{said} }}")
        work.sure.append(f"column '{column.title}' is the {column.kind.replace('_', ' ')}")
    for column in columns if dark(columns) else ():
        # for a person to finish: which nanometres a code means is nowhere in the sample
        codes = ", ".join(f'{quoted(code)} = ""' for code in draft_columns.codes(column))
        out += [f"# wavelength = {{ column = {quoted(column.title)}, words = {{ {codes} }} }}"
                ] if codes else []  # fmt: skip
    unread = [column.title for column in columns if not column.kind]
    if unread:
        work.unsure.append("not read: " + ", ".join(f"'{title}'" for title in unread))
    return out


def _micrometres(column: Column) -> bool:
    return all(re.fullmatch(r"[01][.,]\d+", cell) for cell in column.filled)


def _value(work: Work, column: Column) -> list[str]:
    out = [*comments(column.doubts), "[[table.values]]", f"column = {quoted(column.title)}"]
    if column.quantity:
        out.append(f"quantity = {quoted(column.quantity)}")
    if column.unit == "row":
        out.append("# quantity and unit are told by the row's unit")
    elif column.unit:
        out.append(f"unit = {quoted(column.unit)}")
    else:
        out.append('# unit = "dB" or "dBm": to be settled by a person')
    if column.wavelength_nm:
        out.append(f"wavelength_nm = {column.wavelength_nm}")
    if column.negated:
        out.append("negated = true")
    if column.states:
        inside = ", ".join(f"{state} = [{', '.join(map(quoted, listed))}]"
                           for state, listed in column.states.items())  # fmt: skip
        out.append(f"states = {{ {inside} }}")
    work.unsure += [f"column '{column.title}': {doubt}" for doubt in column.doubts]
    if column.unit == "row":
        work.sure.append(f"column '{column.title}' holds values; their unit is in the row")
    elif column.unit and not column.doubts:
        work.sure.append(f"column '{column.title}' holds {column.quantity} in {column.unit}")
    return out
