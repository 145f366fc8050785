"""A draft of a profile from sample dumps: what it is sure of, what it is not, and why."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from parsers import draft_columns, draft_words, grids, text, trees
from parsers.draft_columns import Column
from parsers.draft_samples import Sample, of_text
from parsers.draft_toml import comments, pattern, quoted, raw, words
from parsers.draft_trees import of_json_lines, of_tree, of_workbook
from parsers.dump import Dump, Extract, Parser
from parsers.profile import ProfileError
from parsers.profile_parts import Numbers
from parsers.registry import from_profile


@dataclass(frozen=True)
class Draft:
    """A proposed profile; `open_ends` is what only a person can settle."""

    name: str
    toml: str
    sure: tuple[str, ...] = ()
    unsure: tuple[str, ...] = ()
    open_ends: tuple[str, ...] = ()
    parser: Parser | None = None
    """None while the profile is not whole; `open_ends` then says what it lacks."""
    extracts: tuple[Extract, ...] = ()
    """What the parser makes of each sample."""


@dataclass
class _Work:
    """A draft in the making."""

    encoding: str
    sample: Sample
    columns: list[Column]
    numbers: Numbers
    sure: list[str] = field(default_factory=list)
    unsure: list[str] = field(default_factory=list)
    open_ends: list[str] = field(default_factory=list)
    headings: list[str] = field(default_factory=list)
    signs: list[str] = field(default_factory=list)
    """Recognition patterns, as TOML strings."""
    keep: bool = False


def draft(dumps: Sequence[Dump], name: str) -> Draft:
    """Propose a complete profile from one or more dumps of one layout; never raises on content.

    What cannot be told is left open in words; it is never invented.
    """
    book = grids.is_workbook(dumps[0].data)
    encoding, sure = ("utf-8", []) if book else _encoding([dump.data for dump in dumps])
    sample = _sample(dumps[0], encoding)
    if sample is None:
        why = "nothing in this dump repeats like rows or records: is it a meter's dump?"
        return Draft(name, "", open_ends=(why,))
    for other in dumps[1:]:
        more = _sample(other, encoding)
        if more is None or (more.layout, more.header) != (sample.layout, sample.header):
            sample.doubts.append(f"{other.name} has another layout or other titles")
        else:
            sample.rows += more.rows
    rules, doubt = draft_columns.number_rules(sample.rows)
    columns = [Column(title, [row[place] for row in sample.rows])
               for place, title in enumerate(sample.header)]  # fmt: skip
    work = _Work(encoding, sample, columns, rules)
    work.sure += [*sure, f"layout {sample.layout}, {len(sample.rows)} rows in the samples"]
    work.unsure += sample.doubts + ([doubt] if doubt else [])
    work.open_ends += draft_columns.judge(columns, rules)
    for column in columns:
        if column.kind not in ("", "value"):
            asked = [f"column '{column.title}': {doubt}" for doubt in column.doubts]
            work.open_ends += [doubt for doubt in asked if doubt.endswith("?")]
            work.unsure += [doubt for doubt in asked if not doubt.endswith("?")]
    _outside(work)
    if sample.sign:
        work.signs.append(sample.sign)
    if sample.layout in ("json", "xml"):
        _tree_signs(work)
    _lack(work)
    toml = _toml(work, name)
    return _tried(work, name, toml, dumps)


def _encoding(samples: list[bytes]) -> tuple[str, list[str]]:
    """Find the encoding: a mark, else strict UTF-8, else a code page that a person confirms."""
    mark, found = text.marked(samples[0], text.guessed(samples[0]))
    if mark or found != "utf-8":
        return found, [f"encoding {found}, by its {'mark' if mark else 'zero bytes'}"]
    whole = b"".join(samples)
    if whole.isascii():
        return "utf-8", ["encoding: nothing but ASCII, read as utf-8"]
    try:
        whole.decode("utf-8")
    except UnicodeDecodeError:
        pages = ("cp437", "cp1252") if _box_letters(whole) else ("cp1252", "cp437")
        return pages[0], []
    return "utf-8", ["encoding utf-8, valid throughout"]


def _box_letters(data: bytes) -> bool:
    """Tell whether umlauts and accents stand where DOS code pages have them, not Windows'."""
    dos = sum(data.count(bytes([sign])) for sign in b"\x81\x84\x94\x8e\x99\x9a\x82\x8a\x85\xe1")
    windows = sum(data.count(bytes([sign])) for sign in range(0xC0, 0x100))
    return dos > windows


def _sample(dump: Dump, encoding: str) -> Sample | None:
    if grids.is_workbook(dump.data):
        book = grids.read(dump.data)
        return None if isinstance(book, grids.Refused) else of_workbook(book, ".")
    start = text.decoded(dump.data[:4096], encoding).lstrip("\ufeff \t\r\n")[:1]
    for layout, sign in (("xml", "<"), ("json", "{["), ("json-lines", "{")):
        if not start or start not in sign:
            continue
        if layout == "json-lines":
            return of_json_lines(text.read(dump.data, encoding))
        tree = trees.read(dump.data, layout, encoding)
        if isinstance(tree, trees.Tree):
            return of_tree(tree, layout)
    return of_text(text.read(dump.data, encoding))


def _outside(work: _Work) -> None:
    """Describe the lines outside the table: headings, rulers, units; the rest is left open."""
    sample, taken = work.sample, set[str]()
    if sample.units:
        work.headings += ["", "[[ignore]]", f"match = {pattern('^' + sample.units.rstrip())}",
                          'why = "row of units"']  # fmt: skip
    ruler, left = False, []
    for number, line in sample.outside:
        bare = line.strip()
        if re.fullmatch(r"[-=_*#~+. |]{3,}", bare):
            ruler = True
        elif number < sample.first_row and _heading(work, line, taken):
            continue
        else:
            left.append((number, bare))
    if ruler:
        work.headings += ["", "[[ignore]]", "match = '^[-=_*#~+. |]{3,}$'", 'why = "ruler line"']
    early = [line for number, line in left if number < sample.first_row]
    late = [(number, line) for number, line in left if number >= sample.first_row]
    if early:
        work.keep = True
        work.unsure.append(f"{len(early)} lines before the table kept as context: "
                           + "; ".join(f"'{line[:40]}'" for line in early[:3]))  # fmt: skip
    for number, line in late[:10]:
        work.open_ends.append(
            f"line {number} is no row and nothing describes it: '{line[:60]}'. It is a fault "
            "until an [[ignore]] or a [[heading]] says what it is"
        )


def _heading(work: _Work, line: str, taken: set[str]) -> bool:
    """Propose a heading for `key: value` lines; what is known of the meter holds for the rows."""
    match = re.match(r"\s*([^\W\d][^:;=,\t|]{1,40}?)(\s*[:;=,\t|]\s*)(\S.*)$", line)
    if not match:
        return False
    kinds = [k for k in draft_words.title_kinds(match[1])
             if k in ("meter_serial", "source_serial", "operator") and k not in taken]  # fmt: skip
    slug = re.sub(r"\W+", "_", draft_words.loose(match[1])).strip("_")
    group = kinds[0] if kinds else slug if re.match(r"[a-z]", slug) else "note"
    if group in taken:
        return True
    taken.add(group)
    start = pattern("^" + match[1])[1:-1]
    sign = re.escape(match[2].strip()) if match[2].strip() else r"\t"
    work.headings += ["", "[[heading]]"]
    found = start + r"\s*" + sign + r"\s*(?P<" + group + ">.*)$"
    work.headings.append(f"match = {raw(found)}")
    if kinds:
        work.headings.append(f"carry = [{quoted(kinds[0])}]")
        work.sure.append(f"'{match[1]}' above the table is the {kinds[0]} of the rows")
    if "reference" in draft_words.title_kinds(match[1]):
        work.open_ends.append(f"'{line.strip()[:60]}' above the table may be the reference of the "
                              "rows; it is kept as context and used for none")  # fmt: skip
    return True


def _tree_signs(work: _Work) -> None:
    """Recognise a document by the names of its values."""
    names = [title.rpartition("/")[2].lstrip("@") for title in work.sample.header]
    names = [name for name in dict.fromkeys(names) if re.match(r"[A-Za-z]", name)]
    form = '"{}" *:' if work.sample.layout == "json" else "[< ]{}[ =/>]"
    work.signs += [raw(form.format(re.escape(name))) for name in names[:4]]


def _lack(work: _Work) -> None:
    """Say what every profile needs and this sample does not show."""
    values = [column for column in work.columns if column.kind == "value"]
    kinds = {column.kind for column in work.columns}
    if not values:
        work.open_ends.append("no column looks like measured values: which one does?")
    dark = [column.title for column in values if not column.wavelength_nm]
    if dark and "wavelength" not in kinds:
        work.open_ends.append(
            "no wavelength is printed for " + ", ".join(f"'{title}'" for title in dark)
            + ": give wavelength_nm"
        )  # fmt: skip
    if work.encoding in ("cp1252", "cp437"):
        other = "cp437" if work.encoding == "cp1252" else "cp1252"
        odd = [cell for row in work.sample.rows for cell in row if not cell.isascii()][:3]
        odd += [title for title in work.sample.header if not title.isascii()]
        work.open_ends.append(
            f"the bytes are not UTF-8; {work.encoding} reads {', '.join(map(repr, odd)) or 'them'}."
            f" If that looks wrong, try {other} or cp850"
        )
    if not work.signs and not work.sample.sign:
        work.open_ends.append("nothing constant to recognise the dump by: give a pattern")


def _toml(work: _Work, name: str) -> str:
    sample = work.sample
    signs = ", ".join(work.signs) or "'.'"
    thousands = work.numbers.thousands_mark
    about = f"Drafted from {len(sample.rows)} rows; read every line marked not sure."
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
        *work.headings, "",
        "[[table]]", f"header = [{', '.join(quoted(title) for title in sample.header)}]",
        *(["titled = false"] if not sample.titled and sample.layout == "delimited" else []),
        *_record(work),
        *sample.table, "",
        "[table.fields]", *_fields(work),
    ]  # fmt: skip
    for column in work.columns:
        if column.kind == "value":
            lines += ["", *_value(work, column)]
    return "\n".join(lines) + "\n"


def _record(work: _Work) -> list[str]:
    """Join neighbouring rows of one label where each wavelength has a row of its own."""
    label = next((column for column in work.columns if column.kind == "label"), None)
    if label is None or not any(column.kind == "wavelength" for column in work.columns):
        return []
    pairs = list(zip(label.cells, label.cells[1:], strict=False))
    if sum(one == two for one, two in pairs) * 3 < len(pairs):
        return []
    work.unsure.append("neighbouring rows with the same label are taken for one record")
    return ['record = ["label"]']


def _fields(work: _Work) -> list[str]:
    out = []
    clocks = [column for column in work.columns if column.kind == "clock"]
    for column in work.columns:
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
        work.sure.append(f"column '{column.title}' is the {column.kind}")
    unread = [column.title for column in work.columns if not column.kind]
    if unread:
        work.unsure.append("not read: " + ", ".join(f"'{title}'" for title in unread))
    return out


def _micrometres(column: Column) -> bool:
    return all(re.fullmatch(r"[01][.,]\d+", cell) for cell in column.filled)


def _value(work: _Work, column: Column) -> list[str]:
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


def _tried(work: _Work, name: str, toml: str, dumps: Sequence[Dump]) -> Draft:
    """Try the draft on the samples; what it lacks is an open end."""
    parser: Parser | None = None
    extracts: tuple[Extract, ...] = ()
    try:
        parser = from_profile(toml, name)
        extracts = tuple(parser.parse(dump) for dump in dumps)
    except ProfileError as problem:
        work.open_ends += [f"the profile is not whole: {part}" for part in problem.problems]
    for dump, _ in zip(dumps, extracts, strict=False):
        match = parser.recognise(dump) if parser else None
        if match and match.level != "yes":
            work.open_ends.append(f"the draft does not claim {dump.name}: {match.reason}")
    return Draft(
        name, toml, tuple(work.sure), tuple(work.unsure), tuple(dict.fromkeys(work.open_ends)),
        parser, extracts,
    )  # fmt: skip
