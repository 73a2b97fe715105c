"""Batches of Arrow as tables and geometries: their bytes held suspect, and a layer in memory once."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.errors import InputError
from pipeline.files.texts import shown
from pipeline.files.wkb import Shapes, shapes_of

_PLAIN = (
    pa.types.is_string, pa.types.is_large_string, pa.types.is_integer, pa.types.is_floating, pa.types.is_boolean,
    pa.types.is_temporal, pa.types.is_null, pa.types.is_decimal, pa.types.is_string_view,
)  # fmt: skip


def read_arrow(
    batches: Iterable[pa.RecordBatch], schema: pa.Schema, columns: list[str], geometry: str, place: str, *,
    fid: str | None = None, encoding: str = "utf-8",
) -> tuple[np.ndarray, pd.DataFrame, Shapes]:  # fmt: skip
    """Feature ids, columns and geometries of batches; without a column of ids the features are counted from 0.

    Raises
    ------
    InputError
        If a column holds no plain values.
    UnicodeDecodeError
        If text is neither UTF-8 nor of the encoding.
    pyarrow.ArrowException
        If the bytes are not what they are said to be.
    """
    _check_types(schema, columns, place)
    fids, tables, parts = [np.zeros(0, np.int64)], [], []
    for batch in batches:
        batch.validate()
        blobs = batch.column(geometry)
        blobs.validate(full=True)
        parts.append(shapes_of(blobs.to_numpy(zero_copy_only=False)))
        # Copies: a view of any column would keep the whole batch in memory, geometries and all.
        every = pa.array(np.arange(len(batch)))
        first = sum(map(len, fids))
        numbers = first + np.arange(len(batch)) if fid is None else batch.column(fid).to_numpy(zero_copy_only=False).copy()
        fids.append(numbers)
        tables.append([_plain(batch.column(name), encoding).take(every) for name in columns])
    whole = [pa.chunked_array([one[k] for one in tables], None if tables else pa.null()) for k in range(len(columns))]
    table = pa.table(whole, names=columns).to_pandas(date_as_object=False)
    joined = np.concatenate(fids)
    return joined, table if columns else pd.DataFrame(index=range(len(joined))), Shapes.joined(parts)


def _plain(values: pa.Array, encoding: str) -> pa.Array:
    """A column's values, text as UTF-8 whatever it was."""
    if pa.types.is_dictionary(values.type):
        values.validate(full=True)
        values = values.dictionary_decode()
    if pa.types.is_string_view(values.type):
        values = values.cast(pa.large_string())
    if not (pa.types.is_string(values.type) or pa.types.is_large_string(values.type)):
        values.validate(full=True)
        return values
    blobs = values.view(pa.binary() if pa.types.is_string(values.type) else pa.large_binary())
    blobs.validate(full=True)
    try:
        values.validate(full=True)
    except pa.ArrowInvalid:  # the bytes are sound, so it is the encoding
        return pa.array([None if blob is None else blob.decode(encoding) for blob in blobs.to_pylist()], values.type)
    return values


def _check_types(schema: pa.Schema, columns: list[str], place: str) -> None:
    for name in columns:
        kind = schema.field(name).type
        kind = kind.value_type if pa.types.is_dictionary(kind) else kind
        if not any(test(kind) for test in _PLAIN):
            raise InputError(
                f"{place}: column '{shown(name)}' holds values of type {kind}; expected text, numbers or times, name another"
            )
