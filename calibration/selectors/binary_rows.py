"""Rows of fixed size, read in bulk by PostgreSQL's binary COPY: NumPy takes them as they come, none is looked at alone.

A row is the number of its columns and, of each, its length and its value, big-endian. So long as no column is null
and none has a length of its own, all rows have one layout; whether they do is checked, not trusted.

Source: PostgreSQL's documentation of COPY, "Binary Format".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, Literal

import numpy as np
from django.db import connection
from numpy.typing import NDArray

Kind = Literal["uuid", "float8", "bool"]
STORED: Final[Mapping[Kind, str]] = {"uuid": "V16", "float8": ">f8", "bool": "?"}
SIGNATURE: Final = b"PGCOPY\n\xff\r\n\x00"
HEADER_BYTES: Final = len(SIGNATURE) + 8
"""Signature, flags, and the length of an extension that there is none of."""
TRAILER: Final = b"\xff\xff"
BLOCK: Final = 2048
"""Rows that are gone through column by column while the processor still has them at hand."""


class BinaryRowsError(ValueError):
    """Rows that have not the layout asked for: a null, another type, another number of columns."""


def copied(query: str, parameters: Sequence[Any], columns: Mapping[str, Kind]) -> dict[str, NDArray[Any]]:
    """What a query selects, as one array a column in the machine's byte order; of uuids the 16 bytes each.

    Raises
    ------
    BinaryRowsError
        If a value is null or the query's columns are not of these types, in this order.
    """
    with connection.cursor() as cursor, cursor.copy(f"COPY ({query}) TO STDOUT (FORMAT BINARY)", parameters) as copy:
        data = bytearray()
        for block in copy:
            data += block
    return parsed(data, columns)


def parsed(data: bytes | bytearray, columns: Mapping[str, Kind]) -> dict[str, NDArray[Any]]:
    """The columns in what a binary COPY sent; arguments and errors as for `copied`.

    >>> row = b"\x00\x01" + b"\x00\x00\x00\x08" + np.array(1.5, dtype=">f8").tobytes()
    >>> parsed(SIGNATURE + bytes(8) + row + TRAILER, {"level": "float8"})["level"].tolist()
    [1.5]
    """
    layout = _layout(columns)
    count, rest = divmod(len(data) - HEADER_BYTES - len(TRAILER), layout.itemsize)
    if data[:HEADER_BYTES] != SIGNATURE + bytes(8) or data[-len(TRAILER) :] != TRAILER or rest:
        raise BinaryRowsError("not whole rows of these columns")
    rows = np.frombuffer(data, layout, count, HEADER_BYTES)
    found = {name: np.empty(count, np.dtype(STORED[kind]).newbyteorder("=")) for name, kind in columns.items()}
    for start in range(0, count, BLOCK):
        block = rows[start : start + BLOCK]
        _check(block, columns)
        for name, column in found.items():
            column[start : start + BLOCK] = block[name]
    return found


def _check(rows: NDArray[Any], columns: Mapping[str, Kind]) -> None:
    if np.any(rows["columns"] != len(columns)):
        raise BinaryRowsError("another number of columns")
    for name, kind in columns.items():
        if np.any(rows[_length_of(name)] != np.dtype(STORED[kind]).itemsize):
            raise BinaryRowsError(f"{name} is null or no {kind}")


def _layout(columns: Mapping[str, Kind]) -> np.dtype[Any]:
    fields = [("columns", ">i2")]
    for name, kind in columns.items():
        fields += [(_length_of(name), ">i4"), (name, STORED[kind])]
    return np.dtype(fields)


def _length_of(name: str) -> str:
    return f"length of {name}"
