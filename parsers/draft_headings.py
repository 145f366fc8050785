"""The lines outside a sample's tables: headings, page heads, rulers, units and totals."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from parsers import draft_words, patterns, wavelengths
from parsers.draft_tables import Sample
from parsers.draft_toml import pattern, quoted, raw
from parsers.numbers import grammar, number
from parsers.profile_parts import Numbers

_KNOWN = ("meter_serial", "source_serial", "operator", "wavelength", "reference")
_KEYED = re.compile(r"\s*([^\W\d][^:;=,\t|]{1,40}?)(\s*[:;=,\t|]\s*)(\S.*)$")
_RULER = re.compile(r"[-=_*#~+. |]{3,}")


@dataclass
class Outside:
    """What a draft makes of the lines outside its tables."""

    toml: list[str] = field(default_factory=list)
    sure: list[str] = field(default_factory=list)
    unsure: list[str] = field(default_factory=list)
    open_ends: list[str] = field(default_factory=list)
    keep: bool = False
    """Whether undescribed lines before the table are kept as context."""
    lit: bool = False
    """Whether a heading gives the rows below it their wavelength."""


class _Reader:
    """Goes through the lines in order; a line that a pattern found before describes is settled."""

    def __init__(self, sample: Sample, numbers: Numbers, dark: bool) -> None:
        self.sample, self.numbers, self.dark = sample, numbers, dark
        self.out = Outside()
        self.taken: set[str] = set()
        self.patterns: list[str] = []
        self.early: list[str] = []
        self.shapes: set[str] = set()

    def described(self, line: str) -> bool:
        body = line.encode("utf-8", "replace")
        return any(patterns.compile_lines(one).search(body) for one in self.patterns)

    def ignore(self, match: str, why: str) -> None:
        """Propose that lines are ignored; `match` is a TOML string."""
        self.out.toml += ["", "[[ignore]]", f"match = {match}", f"why = {quoted(why)}"]

    def heading(self, line: str) -> bool:
        """Propose a heading for a line that says something of the meter or of the rows."""
        keyed = _KEYED.match(line)
        found = self._keyed(keyed) if keyed else self._worded(line)
        if found is None:
            return False
        match, kinds = found
        if match in self.patterns:
            return True
        self.patterns.append(match)
        self.taken.update(kinds)
        carry = [kind for kind in kinds if kind not in ("", "reference")]
        if "wavelength" in carry and not self._lights(line):
            carry.remove("wavelength")
        self.out.toml += ["", "[[heading]]", f"match = {raw(match)}"]
        if carry:
            self.out.toml.append(f"carry = [{', '.join(map(quoted, carry))}]")
        if "reference" in kinds:
            both = ", ".join(map(quoted, [*carry, "reference"]))
            self.out.toml.append(f"# if this reference holds for the rows below: carry = [{both}]")
            self.out.open_ends.append(
                f"'{line.strip()[:60]}' prints a reference: does it hold for the rows below? Until "
                'the heading\'s carry names "reference" it is kept as context and used for none'
            )
        told = [kind for kind in carry if kind != "wavelength"]
        self.out.sure += [
            f"'{line.strip()[:40]}' gives the {kind.replace('_', ' ')}" for kind in told
        ]
        return True

    def _lights(self, line: str) -> bool:
        """Tell whether a heading's wavelength may hold for the rows below, and say so."""
        above = {nm for early in self.early for nm in _printed(early)}
        if not self.dark or len(above) > 1:
            return False
        self.out.lit = True
        self.out.unsure.append(f"the rows print no wavelength; that of '{line.strip()[:40]}' is "
                               "taken for the rows below it")  # fmt: skip
        return True

    def _keyed(self, match: re.Match[str]) -> tuple[str, list[str]] | None:
        """Read `key: value`; what is known of the meter holds for the rows."""
        kinds = self._kinds(match[1], match[3])
        slug = re.sub(r"\W+", "_", draft_words.loose(match[1])).strip("_")
        group = kinds[0] if kinds else slug if re.match(r"[a-z]", slug) else "note"
        if group in _KNOWN and not kinds:
            group = f"{group}_printed"
        sign = re.escape(match[2].strip()) if match[2].strip() else r"\t"
        start = pattern("^" + match[1])[1:-1]
        value = r"\S+?)\s*dBm$" if group == "reference" else ".*)$"
        return rf"{start}\s*{sign}\s*(?P<{group}>{value}", kinds

    def _worded(self, line: str) -> tuple[str, list[str]] | None:
        """Read words each followed by its value, as page heads have them."""
        parts, kinds, words = [], list[str](), list[str]()
        for token in line.split():
            found = self._kinds(" ".join(words[-3:]), token) if re.search(r"\d", token) else []
            if found and found[0] not in kinds:
                kinds.append(found[0])
                parts.append(rf"(?P<{found[0]}>\S+)")
            else:
                parts.append(re.sub(r"\d+", "[0-9]+", re.escape(token)))
            words = [] if re.search(r"\d", token) else [*words, token]
        if not kinds:
            return None
        return r"^\s*" + r"\s+".join(parts), kinds

    def _kinds(self, words: str, value: str) -> list[str]:
        """Name what a word before a value says it is, where the value can be that."""
        known = [k for k in draft_words.title_kinds(words) if k in _KNOWN and k not in self.taken]
        if "wavelength" in known and not _printed(value):
            known.remove("wavelength")
        bare = re.sub(r"\s*dBm$", "", value, flags=re.IGNORECASE)
        level = number(bare, self.numbers, grammar(self.numbers))
        if "reference" in known and level != level:
            known.remove("reference")
        return known[:1]


def _printed(text: str) -> list[int]:
    """List the wavelengths of the trade that a text prints in nanometres."""
    found = re.findall(r"(?<![\d.,])\d{3,4}(?![\d.,])", text)
    nominal = [wavelengths.nominal(int(digits)) for digits in found]
    return [nm for nm in nominal if any(nm == window[0] for window in wavelengths.WINDOWS)]


def _shape(line: str) -> str:
    return re.sub(r"\d+", "0", " ".join(line.split()))


def describe(sample: Sample, numbers: Numbers, dark: bool) -> Outside:
    """Describe the lines outside the tables; what nothing describes is left open in words.

    `dark`: some value column has no wavelength, so that a heading's may be meant for its rows.
    """
    reader = _Reader(sample, numbers, dark)
    out = reader.out
    reader.early = [line for n, line in sample.outside if n < sample.first_row]
    for units in dict.fromkeys(one.units.rstrip() for one in (sample, *sample.more) if one.units):
        reader.ignore(pattern("^" + units), "row of units")
    ruler, kept, left = False, list[str](), list[tuple[int, str]]()
    for line, start in sample.totals:
        if start not in reader.patterns:
            reader.patterns.append(start)
            reader.ignore(raw(start), "totals")
            out.unsure.append(f"lines like '{line.strip()[:40]}' are taken for totals, no readings")
    for n, line in sample.outside:
        if _RULER.fullmatch(line.strip()):
            ruler = True
        elif reader.described(line):
            continue
        elif n < sample.first_row:
            reader.shapes.add(_shape(line))
            if not reader.heading(line):
                kept.append(line.strip())
        elif draft_words.totals(line.split()[0]):
            start = rf"^\s*{re.escape(line.split()[0])}\s"
            reader.patterns.append(start)
            reader.ignore(raw(start), "totals")
            out.unsure.append(f"lines like '{line.strip()[:40]}' are taken for totals, no readings")
        elif _shape(line) in reader.shapes:
            masked = r"^\s*" + re.sub(r"\d+", "[0-9]+", r"\s+".join(map(re.escape, line.split())))
            reader.patterns.append(masked)
            out.toml += ["", "[[heading]]", f"match = {raw(masked)}"]
        else:
            left.append((n, line.strip()))
    if ruler:
        reader.ignore("'^[-=_*#~+. |]{3,}$'", "ruler line")
    if kept:
        out.keep = True
        few = "; ".join(f"'{line[:40]}'" for line in kept[:3])
        out.unsure.append(f"kept as context, {len(kept)} before the table: {few}")
    out.open_ends += [
        f"line {n} is no row and nothing describes it: '{line[:60]}'. It is a fault until an "
        "[[ignore]] or a [[heading]] says what it is"
        for n, line in left[:10]
    ]
    return out
