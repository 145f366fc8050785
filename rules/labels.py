"""Labels as crews type them and as plans print them: folding, tokens, keys, look-alikes."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from functools import cache

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from rules import columns

TOKEN = re.compile(r"[A-Z]+|[0-9]+|[^\W\d_A-Z]+")
SEPARATOR = re.compile(r"[\W_]+")


def fold(label: str) -> str:
    """Return the label in compatibility form, upper case, without outer blanks."""
    if not label.isascii():
        label = unicodedata.normalize("NFKC", label)
    return label.upper().strip()


def tokens(label: str) -> tuple[str, ...]:
    """Split a label into runs of letters and runs of digits, leading zeros dropped.

    `b1-o4` gives `("B", "1", "O", "4")`; separators of any kind only part tokens.
    """
    parts = TOKEN.findall(fold(label))
    return tuple([part if part[0] != "0" else part.lstrip("0") or "0" for part in parts])


def key(label: str) -> str:
    """Return the normalised label: tokens joined by one separator."""
    return "-".join(tokens(label))


def keys(column: pd.Series) -> pd.Series:
    """Return the keys of a text column without absent values, as `key` gives them one by one."""
    # labels of a panel differ in their last number alone: what stands before is looked at once
    texts = pa.array(column, pa.large_string())
    head = pc.ascii_rtrim(texts, characters="0123456789")
    length, cut = pc.binary_length(texts).to_numpy(), pc.binary_length(head).to_numpy()
    number, heads = pd.factorize(pd.array(head, dtype="str"))
    before = _keys(pd.Series(heads, dtype="str"))
    gap = np.where(before.to_numpy(dtype=object)[number] != "", "-", "")
    after = pc.replace_substring_regex(texts, "(?s)^(.*[^0-9])?0*", "")
    after = pc.if_else(pc.and_(pc.equal(after, ""), pa.array(length > cut)), "0", after)
    joint = pc.if_else(pc.equal(after, ""), "", pa.array(gap, pa.large_string()))
    out = pd.Series(columns.joined(before.array.take(number), joint, after), index=column.index)
    foreign = ~column.str.isascii()
    return out.mask(foreign, column[foreign].map(key)) if foreign.any() else out


def _keys(column: pd.Series) -> pd.Series:
    """Return the keys of texts of ASCII signs."""
    out = column.str.upper()
    for pattern, replacement in _TO_KEY:
        out = out.str.replace(pattern, replacement, regex=True)
    return out


_TO_KEY = (
    ("[^A-Z0-9]+", "-"),
    ("([A-Z])([0-9])", r"\1-\2"),
    ("([0-9])([A-Z])", r"\1-\2"),
    ("^-+|-+$", ""),
    ("(^|-)0+([0-9])", r"\1\2"),
)
"""Steps from a folded label of ASCII signs to its key."""


def skeletons(column: pd.Series) -> tuple[pd.Series, np.ndarray]:
    """Return what all labels of one key share: letters in upper case and digits, but no zeros.

    A tenth of the time that keys take: texts whose skeletons differ have different keys. Flags
    besides the texts with signs beyond ASCII, of which the skeleton says nothing.
    """
    if not column.any():
        return column.reset_index(drop=True), np.zeros(len(column), dtype=bool)
    offset, signs = columns.written(column)
    sign = _BARE[signs[: offset[-1]]]
    kept = np.zeros(len(sign) + 1, dtype=np.int64)
    np.cumsum(sign != 0, out=kept[1:])
    bare = pa.LargeStringArray.from_buffers(
        len(column), pa.py_buffer(kept[offset]), pa.py_buffer(sign[sign != 0])
    )
    ascii_ = pc.string_is_ascii(pa.array(column, pa.large_string()))
    foreign = ~ascii_.to_numpy(zero_copy_only=False)
    return pd.Series(pd.array(bare, dtype="str")), foreign


_BARE = np.zeros(256, dtype=np.uint8)
_BARE[[*b"123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"]] = [*b"123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"]
_BARE[[*b"abcdefghijklmnopqrstuvwxyz"]] = [*b"ABCDEFGHIJKLMNOPQRSTUVWXYZ"]
"""What each byte is in a skeleton, 0 where it is none of it."""


def compact(label: str) -> str:
    """Return the loosest form that still holds every sign that matters: no separators at all."""
    return "".join(tokens(label))


def has_separator(label: str) -> bool:
    """Say whether the label has a separator between its first and its last sign."""
    return SEPARATOR.search(fold(label).strip("-_/:. ")) is not None


def natural(label: str) -> tuple[tuple[int, str], ...]:
    """Return a sort key under which `A-2` comes before `A-10`."""
    return tuple(
        (int(part), "") if part.isdecimal() else (-1, part) for part in TOKEN.findall(fold(label))
    )


def is_job_label(label: str, job_labels: Iterable[str]) -> bool:
    """Say whether a label names a check of the test set itself (`REF 1310`, `CORD-2`), no link."""
    parts = tokens(label)
    return (
        bool(parts)
        and parts[0] in _folded(tuple(job_labels))
        and all(part.isdecimal() for part in parts[1:])
    )


def without_retest(label: str, suffixes: Sequence[str]) -> str:
    """Return the label without the longest retest ending it carries; empty if it has none."""
    text = fold(label)
    for suffix in _folded(tuple(suffixes)):
        if suffix and text.endswith(suffix) and len(text) > len(suffix):
            return text[: -len(suffix)].rstrip("-_/:. ")
    return ""


@cache
def _folded(words: tuple[str, ...]) -> list[str]:
    """Return words folded, the longest first."""
    return sorted({fold(word) for word in words}, key=lambda word: (-len(word), word))


def port_of(end: str) -> tuple[str, str]:
    """Split an end such as `1A.R2:07` into panel and port, at the last colon.

    Without a colon the last run of digits is the port and what stands before it the panel.
    """
    panel, colon, port = end.strip().rpartition(":")
    if colon:
        return panel.strip(), port.strip()
    found = re.search(r"(?s)^(.*?)[\W_]*(\d+)\D*$", end.strip())
    if not found:
        return end.strip(), ""
    return found.group(1), found.group(2)


def ports_of(ends: pd.Series) -> tuple[np.ndarray, np.ndarray, pd.Series]:
    """Split a text column of ends into panels and ports, as `port_of` does one by one.

    Returns the number of each end's panel, the panels, of which several may be equal, and ports.
    """
    # ends of a panel differ in their last number alone: one with a 0 instead stands for all
    texts = pa.array(ends, pa.large_string())
    stems = pd.Series(pd.array(pc.utf8_rtrim(texts, characters="0123456789"), dtype="str"))
    digits = columns.endings(ends, stems)
    number, heads = columns.codes(stems)
    # with and without a number: `A` is not the panel of `A1`
    key = 2 * number + (digits != "")
    used = columns.distinct(key)
    number = np.searchsorted(used, key)
    names = [heads[at // 2] + "0" * (at % 2) for at in used.tolist()]
    split = [port_of(name) for name in names]
    before = [
        port[:-1] if name.endswith("0") else port
        for name, (_, port) in zip(names, split, strict=True)
    ]
    ports = columns.joined(columns.texts(before, number).array, digits)
    return number, np.array([panel for panel, _ in split], dtype=object), pd.Series(ports)


def solid(label: str) -> str:
    """Return the folded label without separators, zeros kept: the text for edit distances."""
    if label.isascii():
        return label.encode().translate(_UPPER, _SEPARATORS).decode()
    return SEPARATOR.sub("", fold(label))


_UPPER = bytes(range(256)).upper()
_SEPARATORS = bytes(sign for sign in range(128) if not chr(sign).isalnum())


def tail(label: str, count: int) -> str:
    """Return the last `count` tokens of a label as written, separators between them kept."""
    text = fold(label)
    found = list(TOKEN.finditer(text))
    return text[found[-count].start() :] if len(found) > count else ""
