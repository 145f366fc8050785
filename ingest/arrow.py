"""Columns as bytes and back: Arrow streams behind their CRC-32, as the store keeps them.

The sum comes first because Arrow trusts what it unpacks: a flipped bit could end the process.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any
from zlib import crc32

import numpy as np
import pandas as pd
import pyarrow as pa

from ingest.errors import Damaged
from rules import columns

pa.set_memory_pool(pa.system_memory_pool())  # the default one keeps what is let go of
_SUM = 4
"""Bytes of the sum."""
_OF = "\x1f"
_PACKED = pa.ipc.IpcWriteOptions(
    compression=pa.Codec("zstd", compression_level=1), use_threads=False
)


SHARED = 255
"""Texts that a dictionary of a block may hold; longer ones would stand in every block anew."""


def table(frame: Any) -> Any:
    """Make an Arrow table of a pandas frame; NaN becomes null.

    Categories of few texts become dictionaries, which `unpack` undoes; others become texts.
    """
    long = {
        name: columns.spelled(frame[name])
        for name, kind in frame.dtypes.items()
        if columns.is_few(kind) and len(kind.categories) > SHARED
    }
    arrays = [pa.array(long.get(name, frame[name]).array, from_pandas=True) for name in frame]
    return pa.Table.from_arrays(arrays, names=[str(name) for name in frame])


def spelled(table: Any) -> Any:
    """Turn the dictionaries of an Arrow table into texts."""
    for place, field in enumerate(table.schema):
        if pa.types.is_dictionary(field.type):
            text = table.column(place).cast(pa.large_string())
            table = table.set_column(place, field.name, text)
    return table


def shared(table: Any, names: Sequence[str]) -> Any:
    """Turn some text columns into dictionaries where few texts are in them, as `table` does."""
    for name in names:
        made = table[name].combine_chunks().dictionary_encode()
        if len(made.dictionary) <= SHARED:
            number = made.indices.cast(pa.uint8())
            made = pa.DictionaryArray.from_arrays(number, made.dictionary)
            table = table.set_column(table.schema.get_field_index(name), name, made)
    return table


def texts(column: Any) -> Any:
    """Turn a text column of pandas into one array of texts, without parts."""
    return _whole(pa.array(column, pa.large_string()))


def few(column: Any) -> pd.Series:
    """Turn an Arrow column of texts into a pandas one of kind `few`; null becomes empty."""
    made = _whole(column.fill_null("").dictionary_encode())
    return columns.few(made.dictionary.to_pylist(), np.asarray(made.indices, dtype="int64"))


def pack(rows: Any) -> bytes:
    """Turn an Arrow table into bytes."""
    packed = pa.BufferOutputStream()
    with pa.ipc.new_stream(packed, rows.schema, options=_PACKED) as stream:
        stream.write_table(rows)
    made: bytes = packed.getvalue().to_pybytes()
    return crc32(made).to_bytes(_SUM, "big") + made


def bundle(tables: Mapping[str, Any]) -> bytes:
    """Turn small Arrow tables into bytes together: a stream for each takes many times as long."""
    named = {
        f"{name}{_OF}{column}": _whole(table.column(column))
        for name, table in tables.items()
        for column in table.column_names
    }
    lists = [pa.LargeListArray.from_arrays([0, len(values)], values) for values in named.values()]
    return pack(pa.Table.from_arrays(lists, names=list(named)))


def unbundle(what: str, data: bytes | None) -> dict[str, Any]:
    """Turn bytes into the tables that `bundle` was given; raise Damaged as `unpack` does."""
    out: dict[str, dict[str, Any]] = {}
    lists = unpack(what, data)
    for field in lists.column_names:
        name, _, column = field.partition(_OF)
        out.setdefault(name, {})[column] = _whole(lists.column(field)).flatten()
    return {name: spelled(pa.table(columns)) for name, columns in out.items()}


def _whole(column: Any) -> Any:
    """Return a column as one array."""
    made = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    if isinstance(made, pa.ChunkedArray):
        made = made.chunk(0) if made.num_chunks else pa.array([], made.type)
    return made


def rows(table: Any) -> Iterator[tuple[Any, ...]]:
    """Yield the rows of an Arrow table as plain values, null as None."""
    return zip(*(column.to_pylist() for column in table.columns), strict=True)


def unpack(what: str, data: bytes | None, places: Sequence[int] = ()) -> Any:
    """Turn bytes into the Arrow table that they hold; raise Damaged, naming `what`, if they do not.

    None stands for bytes that are not there. With `places` only these columns are unpacked.
    """
    try:
        if data is None:
            raise pa.ArrowInvalid("nothing is stored")
        stream = memoryview(data)[_SUM:]
        if crc32(stream) != int.from_bytes(data[:_SUM], "big"):
            raise pa.ArrowInvalid("it is not what was written")
        chosen = pa.ipc.IpcReadOptions(included_fields=list(places) or None)
        return spelled(pa.ipc.open_stream(stream, options=chosen).read_all())
    except (pa.ArrowException, OSError, TypeError) as error:
        raise damaged(what, str(error)) from error


def damaged(what: str, why: str) -> Damaged:
    """Word that columns in the store are not what was written."""
    return Damaged(
        f"{what} by column cannot be read from the database ({why}). "
        "The original is kept: run `glasstally rebuild`."
    )
