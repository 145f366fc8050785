"""Profiles: what is refused, with the key, what was found and what is allowed."""

from __future__ import annotations

import pytest

from parsers import patterns, registry
from parsers.profile import ProfileError, load

WIDE = registry.shipped_texts()["wide-slots.toml"]
COMMA = registry.shipped_texts()["comma-preamble.toml"]


def problems(text: str) -> list[str]:
    with pytest.raises(ProfileError) as caught:
        load(text, "mine.toml")
    assert str(caught.value).startswith("mine.toml: ")
    return [str(problem) for problem in caught.value.problems]


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ('layout = "delimited"', 'layout = "delimted"', "profile.layout: found 'delimted'"),
        ("version = 1", 'version = "1"', "profile.version: found '1'"),
        ('name = "wide-slots"', 'name = "Wide Slots"', "profile.name: found 'Wide Slots'"),
        ('unit = "dBm"', 'unti = "dBm"', "did you mean 'unit'?"),
        ('"Name" }', '"Nam" }', "column 'Nam' is not in header; did you mean 'Name'?"),
        ("[text]", "[txt]", "did you mean 'text'?"),
        ('"set" = "reference"', '"set" = ', "TOML"),
        ('"set" = "reference"', '"set" = "ref"', "allowed: 'power', 'attenuation', 'reference'"),
        ("'^Power memory", "'^(Power memory", "not a pattern"),
        ("'^Power memory", "'^(?=Power)", "not a pattern"),
        ("'^Power memory", "'^(P)\\1", "not a pattern"),
        ('carry = ["meter_serial"]', 'carry = ["operator"]', "no group (?P<operator>…)"),
        ("wavelength_nm = 1310", "wavelength_nm = 1300", "give fibre_position or direction"),
        ("wavelength_nm = 1310", "wavelength_nm = 13", "greater than or equal to 600"),
        ("wavelength_nm = 1310\n", "", "neither a field nor a heading gives a wavelength"),
        ('separator = "\\t"', 'separator = "ab"', "at most 1 character"),
        ('separator = "\\t"', 'separator = "\\t"\nquote = "\\t"', "the same sign"),
        ('decimal_mark = "."', 'decimal_mark = "."\nthousands_mark = "."', "the same sign"),
        ("[delimited]", "[xml]\n[delimited]", "so there is no [xml] part"),
        ('label = { column = "Name" }', "", "a reading without a label"),
        ('slot = { column = "Slot" }', 'slot = { value = "1", column = "Slot" }', "exactly one of"),
        ('slot = { column = "Slot" }', 'slot = { column = "Slot", format = "iso" }', "format"),
        ('encoding = "utf-8"', 'encoding = "rot13"', "text.encoding: found 'rot13'"),
    ],
)  # fmt: skip
def test_a_wrong_profile_names_key_and_remedy(before: str, after: str, told: str) -> None:
    assert before in WIDE
    found = problems(WIDE.replace(before, after, 1))
    assert any(told in problem for problem in found), found


@pytest.mark.parametrize(
    ("layout", "told"),
    [
        ("%Q-%m-%d", "format has %Q"),
        ("%H:%M", "lacks the year"),
        ("noon", "no directive"),
    ],
)
def test_a_wrong_clock_format(layout: str, told: str) -> None:
    found = problems(COMMA.replace("%Y-%m-%d %H:%M:%S", layout))
    assert any(told in problem for problem in found), found


def test_every_problem_is_told_at_once() -> None:
    text = WIDE.replace("version = 1", "version = 0").replace('"utf-8"', '"utf-9"')
    assert len(problems(text)) == 2


def test_no_profile_can_name_a_path_or_code() -> None:
    for key in ("include", "command", "script", "file", "import"):
        assert any("unknown key" in p for p in problems(f'{key} = "x"\n{WIDE}'))


def test_a_pattern_cannot_hang() -> None:
    """RE2 runs in time linear in the text (google/re2, README); a backtracking engine would not."""
    text = WIDE.replace("'^== [0-9]+ of [0-9]+ slots used$'", "'^(a+)+$|^(a|aa)*b$|(x*)*y'")
    parser = registry.from_profile(text, "greedy")
    body = WIDE.encode() + b"\n" + b"a" * 20_000 + b"!\n" + b"x" * 20_000 + b"\n"
    assert list(patterns.found(["^(a+)+$"], body)) == []
    assert parser.name == "wide-slots"


def test_patterns_keep_to_their_line() -> None:
    found = list(patterns.found(["^a[^;]*$", "^b"], b"a1\nx\nb\na;\na2"))
    assert found == [(0, 0), (5, 1), (10, 0)]
