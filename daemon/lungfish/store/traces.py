"""Pressure traces as compact blobs that come back bit for bit: a replay gives the same reading to the last digit.

Nothing is rounded. Each column is written as whole numbers on the coarsest grid that holds every value exactly (a
decimal one such as 0.01 Pa or 0.1 ms, else a binary one: every finite float is a whole multiple of a power of two),
the numbers as differences, the differences as byte planes, the whole compressed by zlib. Values that no grid holds
(not finite, or spread too wide) are kept as their 64 bits. Little-endian throughout.
"""

from __future__ import annotations

import struct
import zlib
from array import array
from collections.abc import Iterator, Sequence
from itertools import accumulate, chain, groupby, pairwise

from lungfish.core.reading import Phase
from lungfish.errors import StoreError
from lungfish.ports import TracePoint

__all__ = ["TRACE_CODEC", "decode_trace", "encode_trace"]

TRACE_CODEC = 1
"""Version of the format, kept beside each blob."""

_HEAD = struct.Struct("<II")  # points, runs of one phase
_RUN = struct.Struct("<IB")  # points of the run, bytes of the phase's name
_COLUMN = struct.Struct("<BBBB")  # kind of grid, its exponent, order of the differences, bytes per number
_DECIMAL, _BINARY, _BITS = 0, 1, 2
_DECIMALS = range(7)  # down to 1 uPa or 1 us
_WIDEST_BITS = 63
_LARGEST_BLOB = 64 * 2**20  # far above any trace: a damaged length must not fill the memory


def encode_trace(points: Sequence[TracePoint]) -> bytes:
    """Pack a trace.

    Args:
        points: any number of points, none included; any floats.

    Returns:
        A blob for `decode_trace`.
    """
    runs = [(phase.value.encode(), sum(1 for _ in run)) for phase, run in groupby(point.phase for point in points)]
    body = bytearray(_HEAD.pack(len(points), len(runs)))
    for name, length in runs:
        body += _RUN.pack(length, len(name)) + name
    body += _encode_column([point.t_s for point in points], order=2)
    body += _encode_column([point.gauge_pa for point in points], order=1)
    return zlib.compress(bytes(body), 6)


def decode_trace(blob: bytes) -> tuple[TracePoint, ...]:
    """Unpack what `encode_trace` made.

    Args:
        blob: from the store.

    Returns:
        The same points, each float the same to the last bit.

    Raises:
        StoreError: the blob is damaged.
    """
    try:
        unpacker = zlib.decompressobj()
        body = unpacker.decompress(blob, _LARGEST_BLOB)
        if not unpacker.eof:
            raise ValueError("cut short")
        return _decode(memoryview(body))
    except (zlib.error, struct.error, ValueError, OverflowError, IndexError) as exc:
        raise StoreError(f"a stored trace is damaged: {exc}") from exc


def _decode(body: memoryview) -> tuple[TracePoint, ...]:
    count, runs = _HEAD.unpack_from(body)
    if count > len(body):
        raise ValueError("cut short")
    at = _HEAD.size
    phases: list[Phase] = []
    for _ in range(runs):
        length, width = _RUN.unpack_from(body, at)
        at += _RUN.size
        if length > count - len(phases):
            raise ValueError("phases and points differ in number")
        phases += [Phase(bytes(body[at : at + width]).decode())] * length
        at += width
    times, at = _decode_column(body, at, count)
    pressures, at = _decode_column(body, at, count)
    if len(phases) != count or at != len(body):
        raise ValueError("phases and points differ in number")
    return tuple(map(TracePoint, times, pressures, phases))


def _encode_column(values: Sequence[float], *, order: int) -> bytes:
    kind, exponent, numbers = _on_grid(values)
    if kind == _BITS:
        order = 0
    for _ in range(order):
        numbers = [b - a for a, b in pairwise(chain((0,), numbers))]
    folded = [number << 1 if number >= 0 else ~(number << 1) for number in numbers]  # the sign in the lowest bit
    width = max(1, (max(folded, default=0).bit_length() + 7) // 8)
    packed = b"".join(number.to_bytes(width, "little") for number in folded)
    planes = b"".join(packed[plane::width] for plane in range(width))
    return _COLUMN.pack(kind, exponent, order, width) + planes


def _decode_column(body: memoryview, at: int, count: int) -> tuple[list[float], int]:
    kind, exponent, order, width = _COLUMN.unpack_from(body, at)
    at += _COLUMN.size
    end = at + width * count
    if width == 0 or end > len(body):
        raise ValueError("cut short")
    planes = bytes(body[at:end])
    packed = bytearray(len(planes))
    for plane in range(width):
        packed[plane::width] = planes[plane * count : (plane + 1) * count]
    folded = (int.from_bytes(packed[i : i + width], "little") for i in range(0, len(packed), width))
    numbers: Iterator[int] = (number >> 1 if number & 1 == 0 else ~(number >> 1) for number in folded)
    for _ in range(order):
        numbers = accumulate(numbers)
    return _off_grid(kind, exponent, list(numbers)), end


def _on_grid(values: Sequence[float]) -> tuple[int, int, list[int]]:
    """The coarsest grid that holds every value: its kind, its exponent, and the values as multiples of its step."""
    bits = array("d", values).tobytes()
    try:
        for exponent in _DECIMALS:
            numbers = [round(value * 10.0**exponent) for value in values]
            if array("d", _off_grid(_DECIMAL, exponent, numbers)).tobytes() == bits:
                return _DECIMAL, exponent, numbers
        ratios = [value.as_integer_ratio() for value in values]
        exponent = max((below.bit_length() - 1 for _, below in ratios), default=0)
        if exponent <= _WIDEST_BITS:
            numbers = [(above << exponent) // below for above, below in ratios]
            fits = all(number.bit_length() <= _WIDEST_BITS for number in numbers)
            if fits and array("d", _off_grid(_BINARY, exponent, numbers)).tobytes() == bits:
                return _BINARY, exponent, numbers
    except (OverflowError, ValueError):
        pass  # an infinity or a NaN: no grid holds it, its bits do
    return _BITS, 0, list(array("q", bits))


def _off_grid(kind: int, exponent: int, numbers: Sequence[int]) -> list[float]:
    if kind == _DECIMAL:
        step = 10**exponent
        return [number / step for number in numbers]  # correctly rounded: the float nearest to the decimal
    if kind == _BINARY:
        return [number / (1 << exponent) for number in numbers]
    if kind == _BITS:
        return list(array("d", array("q", numbers).tobytes()))
    raise ValueError(f"unknown kind of column {kind}")
