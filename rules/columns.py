"""Columns as numpy arrays: codes of texts, groups of rows, and back to text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

SPARSE = 8
"""Keys whose span is larger than this many times their number are numbered by hashing."""
SHORT = 100
"""So many texts are sorted sooner one by one than as a column."""


def codes(column: pd.Series, sort: bool = False) -> tuple[Ints, Any]:
    """Number the distinct texts of a column; return the numbers and the texts.

    With `sort` the numbers follow the order of the texts, so that they do not depend on rows.
    """
    if isinstance(column.dtype, pd.CategoricalDtype):
        return _used(_own_codes(column), np.asarray(column.dtype.categories, dtype=object))
    heads, length = _heads(column)
    numbers, texts = pd.factorize(heads, sort=sort)
    numbers = numbers.astype("int64", copy=False)
    whole = isinstance(length, int)
    return numbers if whole else np.repeat(numbers, length), np.asarray(texts, dtype=object)


def numbers(column: pd.Series, sort: bool = False) -> Ints:
    """Number the texts of a column as `codes` does, without naming them; there may be gaps."""
    return _own_codes(column) if is_few(column.dtype) else codes(column, sort)[0]


def _used(number: Ints, texts: Any) -> tuple[Ints, Any]:
    """Leave out the texts that no row has; what is absent stays −1."""
    there = np.zeros(len(texts) + 1, dtype="bool")
    there[number] = True
    there = there[:-1]
    if there.all():
        return number, texts
    place = np.append(np.cumsum(there) - 1, -1)
    return place[number], texts[there]


def _heads(column: pd.Series) -> tuple[Any, Any]:
    """Return the first of each stretch of equal texts, and how long each stretch is.

    Neighbours mostly share their text, and comparing them is much quicker than numbering them.
    """
    values = column.array
    if not len(values) or column.dtype != "str":
        return values, 1
    first = np.flatnonzero(np.append(True, np.asarray(values[1:] != values[:-1], dtype="bool")))
    if 2 * len(first) > len(values):
        return values, 1
    return values.take(first), np.diff(np.append(first, len(values)))


def ranked(key: Ints) -> Ints:
    """Number the distinct values of a key in their order, from 0.

    Hashing is the dearest way to do so: a key in order, or without large gaps, needs none.
    """
    if not len(key):
        return key.astype("int64")
    if rising(key):
        return _stretches(key)
    marks = _marks(key)
    if marks is None:
        heads = pd.factorize(key[starts(key)], sort=True)[0]
        return np.asarray(heads[_stretches(key)], dtype="int64")
    return np.asarray((np.cumsum(marks) - 1)[key - key.min()], dtype="int64")


def _stretches(key: Ints) -> Ints:
    """Number the stretches of equal neighbours from 0."""
    return np.asarray(np.cumsum(starts(key)) - 1, dtype="int64")


def _marks(key: Ints) -> Flags | None:
    """Mark the values of a key from its least one on; None where there are large gaps."""
    low = int(key.min())
    span = int(key.max()) - low + 1
    if span > SPARSE * len(key):
        return None
    marks = np.zeros(span, dtype="bool")
    marks[key - low] = True
    return marks


def rising(key: Ints) -> bool:
    """Tell whether a key is in order."""
    return bool((key[1:] >= key[:-1]).all())


def distinct(key: Ints) -> Ints:
    """Return the distinct values of a key in their order."""
    heads = key[starts(key)]
    if rising(heads):
        return heads
    marks = _marks(heads)
    if marks is not None:
        return np.asarray(np.flatnonzero(marks) + heads.min(), dtype="int64")
    ordered = np.sort(heads)
    return np.asarray(ordered[starts(ordered)], dtype="int64")


def firsts(key: Ints, groups: int) -> Ints:
    """Return the first row of each key 0 … groups − 1; 0 without any."""
    out = np.zeros(groups, dtype="int64")
    out[key[::-1]] = np.arange(len(key))[::-1]
    return out


def spans(key: Ints, values: Ints, groups: int) -> tuple[Ints, Ints]:
    """Return the least and the largest of `values` of each key 0 … groups − 1; 0 without any."""
    low, high = np.zeros(groups, dtype="int64"), np.zeros(groups, dtype="int64")
    low[key] = high[key] = values
    np.minimum.at(low, key, values)
    np.maximum.at(high, key, values)
    return low, high


def sorted_rows(*keys: Ints) -> Ints:
    """Return the order that sorts rows by the first key, then the next …; equal rows stay put."""
    return np.asarray(np.argsort(compound(*keys), kind="stable"), dtype="int64")


def compound(*keys: Ints) -> Ints:
    """Fold keys into one that orders and tells apart their combinations; large, with gaps."""
    number = np.zeros(len(keys[0]), dtype="int64")
    size = 1
    for key in keys:
        if len(key) == 0:
            return number
        low = int(key.min())
        span = int(key.max()) - low + 1
        if size > 2**62 // span:
            number = ranked(number)
            size = int(number.max()) + 1
        number *= span
        number += key
        number -= low
        size *= span
    return number


def combined(*keys: Ints) -> Ints:
    """Number the distinct combinations of keys in their order, from 0."""
    return ranked(compound(*keys))


def texts(values: Sequence[str], numbers: Ints, index: pd.Index | None = None) -> pd.Series:
    """Return a text column that holds `values[number]` for each number."""
    listed = pd.array(list(values), dtype="str")
    return pd.Series(listed.take(numbers), index=index)


def few(values: Any, numbers: Ints, index: pd.Index | None = None) -> pd.Series:
    """Return a column of kind `few` that holds `values[number]` for each number.

    `values` is a sequence of texts or a pandas array of them.
    """
    names: Any
    if len(values) > SHORT:
        names, place = pd.array(values, dtype="str"), np.arange(len(values))
        if not ascending(names):
            place, names = pd.factorize(names, sort=True)
    else:
        names = sorted(set(values))
        at = dict(zip(names, range(len(names)), strict=True))
        place = np.array([at[text] for text in values], dtype="int64")
    kind = pd.CategoricalDtype(pd.Index(names, dtype="str"), ordered=True)
    smallest = np.min_scalar_type(-max(len(names), 1))
    made = pd.Categorical.from_codes(
        place.astype(smallest).take(numbers), dtype=kind, validate=False
    )
    return pd.Series(made, index=index)


NAMELESS = pd.Series([""], dtype="str")


def named(names: Sequence[str] | pd.Series, numbers: Ints) -> pd.Series:
    """Return a column of kind `few` that holds the name of each number, empty text for −1.

    The empty text comes first among its categories, as `common_codes` takes names of links.
    """
    listed = pd.concat([NAMELESS, pd.Series(names, dtype="str")]).array
    return few(listed, numbers + 1)


def renamed(column: pd.Series, names: pd.Series) -> pd.Series:
    """Number a column made by `named` by the names of another table, all of it among them."""
    own: Any = column.cat.categories.array
    wanted = named(names, np.zeros(0, dtype="int64")).cat.categories
    if _same(own, wanted.array):
        return column
    number = _own_codes(column)
    used = distinct(number)
    place = np.zeros(len(own), dtype="int64")
    place[used] = positions(pd.Series(wanted), pd.Series(own.take(used)))
    return few(wanted.array, place[number], column.index)


def to_few(column: pd.Series) -> pd.Series:
    """Turn a column of texts into one of kind `few`; what is absent becomes the empty text."""
    number, names = codes(column)
    texts = [str(name) for name in names]
    if len(number) and number.min() < 0:
        texts.append("")  # where −1 leads
    return few(texts, number, column.index)


def spelled(column: pd.Series) -> pd.Series:
    """Turn a column of categories into plain text: a quarter of the time that pandas takes."""
    number = _own_codes(column)
    names: Any = column.cat.categories.array
    absent = bool((number < 0).any())
    taken = names.take(number, allow_fill=absent, fill_value="" if absent else None)
    return pd.Series(taken, index=column.index)


def is_few(dtype: Any) -> bool:
    """Tell whether a type is that of a column of kind `few`."""
    return isinstance(dtype, pd.CategoricalDtype) and bool(dtype.ordered)


def joined(*parts: Any) -> Any:
    """Put texts together row by row: each part is one text or a pandas array of texts."""
    kind = pa.large_string()
    made = (pa.scalar(p, kind) if isinstance(p, str) else pa.array(p, kind) for p in parts)
    return pd.array(pc.binary_join_element_wise(*made, pa.scalar("", kind)), dtype="str")


def endings(column: pd.Series, beginnings: pd.Series) -> Any:
    """Return what each text has after its beginning, a column of the beginnings of its texts."""
    place, data = written(column)
    begin = place[:-1] + np.diff(written(beginnings)[0])
    length = place[1:] - begin
    ends = np.concatenate([np.zeros(1, dtype="int64"), np.cumsum(length)])
    taken = np.arange(ends[-1]) + np.repeat(begin - ends[:-1], length)
    parts = (pa.py_buffer(ends), pa.py_buffer(data[taken]))
    return pd.array(pa.LargeStringArray.from_buffers(len(column), *parts), dtype="str")


def written(column: pd.Series) -> tuple[Ints, Any]:
    """Return where texts begin and end among their bytes in UTF-8, and the bytes."""
    texts = pa.array(column.array, pa.large_string())
    if isinstance(texts, pa.ChunkedArray):
        texts = pa.concat_arrays(texts.chunks) if texts.num_chunks else pa.array([], texts.type)
    _, places, data = texts.buffers()
    if places is None or not len(texts):
        return np.zeros(1, dtype="int64"), np.zeros(0, dtype="uint8")
    bounds = np.frombuffer(places, "int64")[texts.offset : texts.offset + len(texts) + 1]
    return bounds, np.frombuffer(data or b"", "uint8")


def blank(column: pd.Series) -> bool:
    """Tell whether all texts of a column are empty, without a look at each."""
    bounds, _ = written(column)
    return bool(bounds[0] == bounds[-1])


def pieced(*parts: tuple[Sequence[str], Ints]) -> Any:
    """Put texts together row by row out of pieces: each part is its texts, and a number per row.

    The texts of one part are of one length in UTF-8; many times faster than joining columns.
    """
    tables = [np.array([text.encode() for text in texts]) for texts, _ in parts]
    kind = np.dtype([(str(at), f"V{table.itemsize}") for at, table in enumerate(tables)])
    rows = len(parts[0][1])
    out = np.empty(rows, dtype=kind)
    for name, table, (_, number) in zip(kind.names or (), tables, parts, strict=True):
        out[name] = table.view(kind[name])[number]
    places = pa.py_buffer(np.arange(rows + 1, dtype="int64") * kind.itemsize)
    return pd.array(pa.LargeStringArray.from_buffers(rows, places, pa.py_buffer(out)), dtype="str")


def unfold(number: Ints, parts: Sequence[Sequence[Any]]) -> tuple[Ints, Any]:
    """Repeat each row once per part that its number stands for; return the rows and the parts."""
    count = np.array([len(part) for part in parts], dtype="int64")
    flat = np.array([one for part in parts for one in part])
    row = np.repeat(np.arange(len(number)), count[number]) if len(number) else number
    begin = np.cumsum(count) - count
    own = np.cumsum(count[number]) - count[number]
    return row, flat[begin[number[row]] + np.arange(len(row)) - own[row]] if len(row) else flat


class Groups:
    """Rows of each distinct text of a column, found without looking at the column again."""

    def __init__(self, column: pd.Series) -> None:
        number, names = codes(column)
        order = np.argsort(number, kind="stable")
        bounds = np.searchsorted(number[order], np.arange(len(names) + 1))
        self._rows: dict[str, Ints] = {
            name: order[bounds[i] : bounds[i + 1]] for i, name in enumerate(names)
        }

    def rows(self, name: str) -> Ints:
        """Return the rows whose text is `name`, ascending."""
        return self._rows.get(name, np.array([], dtype="int64"))

    def __contains__(self, name: str) -> bool:
        return name in self._rows

    def names(self) -> list[str]:
        """Return the distinct texts."""
        return list(self._rows)


def starts(keys: Ints) -> Flags:
    """Mark where a key, mostly a sorted one, changes; the first row is always marked."""
    marks = np.ones(len(keys), dtype="bool")
    marks[1:] = keys[1:] != keys[:-1]
    return marks


def occurrence(keys: Ints) -> Ints:
    """Number equal keys 0, 1, 2 … in row order."""
    order = np.argsort(keys, kind="stable")
    begins = starts(keys[order])
    place = np.arange(len(keys), dtype="int64")
    first = np.maximum.accumulate(np.where(begins, place, 0))
    out = np.empty(len(keys), dtype="int64")
    out[order] = place - first
    return out


def positions(column: pd.Series, wanted: pd.Series) -> Ints:
    """Return the row of `column` (distinct texts) that holds each wanted text, −1 where none does.

    Two columns of the same texts are matched by sorting both, which is faster than looking each
    text up.
    """
    if len(column) == len(wanted):
        if bool((column.array == wanted.array).all()):
            return np.arange(len(column), dtype="int64")
        here, there = sorting(column), sorting(wanted)
        if bool((column.array.take(here) == wanted.array.take(there)).all()):
            found = np.empty(len(column), dtype="int64")
            found[there] = here
            return found
    known, asked = (pa.array(part.array, pa.large_string()) for part in (column, wanted))
    return np.asarray(pc.index_in(asked, value_set=known).fill_null(-1), np.int64)


def among(column: pd.Series, names: Sequence[str] | pd.Series) -> Flags:
    """Tell which rows have one of some texts; quick where they are numbered."""
    known = pa.array(names if isinstance(names, Sequence) else names.array, pa.large_string())

    def held(texts: Any) -> Flags:
        found = pc.is_in(pa.array(texts, pa.large_string()), value_set=known)
        return np.asarray(found, dtype="bool")

    if not is_few(column.dtype):
        return held(column.array)
    return np.asarray(np.append(held(column.cat.categories.array), False)[_own_codes(column)])


def places(column: pd.Series, names: Sequence[str]) -> Ints:
    """Return the place of each text among a few names, 0 for an unknown one; one byte each."""
    if is_few(column.dtype):
        number, texts = codes(column)
        place = {name: at for at, name in enumerate(names)}
        # what is absent, −1, is unknown too
        return np.array([*(place.get(text, 0) for text in texts), 0], dtype="int8")[number]
    asked, known = (pa.array(part, pa.large_string()) for part in (column.array, list(names)))
    return np.asarray(pc.index_in(asked, value_set=known).fill_null(0)).astype("int8")


def sorting(column: pd.Series) -> Ints:
    """Return the order that sorts a text column; cheap where it is sorted already."""
    values = column.array
    if len(values) and not bool((values[1:] < values[:-1]).any()):
        return np.arange(len(values), dtype="int64")
    order: Ints = np.asarray(values.argsort(), np.int64)
    return order


def common_codes(*columns: pd.Series) -> tuple[list[Ints], Any]:
    """Number the distinct texts of several columns together, in the order of the texts.

    Returns the numbers of each column and the texts as a pandas array. Where the first column is
    numbered already (kind `few`, "" first) and holds all texts of the others, its numbers stand.
    """
    kind = columns[0].dtype
    if isinstance(kind, pd.CategoricalDtype):
        given = [_numbers_in(kind, column) for column in columns]
        if not any((number < 0).any() for number in given):
            return given, kind.categories.array
        columns = tuple(column.astype("str") for column in columns)
    parts = [_heads(column) for column in columns]
    listed = parts[0][0]
    if ascending(listed) and all(_same(head, listed) for head, _ in parts):
        # several tables of the same things in the same order
        place = np.arange(len(listed))
        return [np.repeat(place, length) for _, length in parts], pd.array(listed, dtype="str")
    heads = [pd.Series(head) for head, _ in parts]
    joined, texts = pd.factorize(pd.concat(heads, ignore_index=True).array)
    order = sorting(pd.Series(texts))
    rank = np.empty(len(order), dtype="int64")
    rank[order] = np.arange(len(order))
    numbers = rank[joined] if len(joined) else np.empty(0, "int64")
    ends = np.cumsum([len(head) for head in heads])[:-1]
    split = zip(np.split(numbers, ends), parts, strict=True)
    return [np.repeat(number, length) for number, (_, length) in split], texts.take(order)


def ascending(texts: Any) -> bool:
    """Tell whether a pandas array of texts is sorted, each once."""
    return not len(texts) or bool((texts[1:] > texts[:-1]).all())


def _same(one: Any, other: Any) -> bool:
    return len(one) == len(other) and bool((one == other).all())


def _own_codes(column: pd.Series) -> Ints:
    values: Any = column.array
    return np.asarray(values.codes, dtype="int64")


def _numbers_in(kind: pd.CategoricalDtype, column: pd.Series) -> Ints:
    """Number texts by their place among categories, −1 where one is missing there."""
    own = column.dtype
    if isinstance(own, pd.CategoricalDtype) and own.categories.equals(kind.categories):
        return _own_codes(column)
    heads, length = _heads(column.astype("str"))
    place = positions(pd.Series(kind.categories[1:]), pd.Series(heads)) + 1
    place[place == 0] = np.where(heads[place == 0] == "", 0, -1)
    return np.repeat(place, length)
