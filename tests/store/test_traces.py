"""A trace comes back to the last bit, in few bytes; a damaged one is told."""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lungfish.core.reading import Phase
from lungfish.errors import StoreError
from lungfish.ports import TracePoint
from lungfish.store import decode_trace, encode_trace

any_float = st.floats(allow_nan=True, allow_infinity=True, allow_subnormal=True)
phases = st.sampled_from(Phase)


def bits(points: tuple[TracePoint, ...]) -> list[tuple[bytes, Phase]]:
    """Every bit of a trace, so that -0.0 differs from 0.0 and a NaN equals itself."""
    return [(struct.pack("<dd", point.t_s, point.gauge_pa), point.phase) for point in points]


@given(st.lists(st.builds(TracePoint, any_float, any_float, phases)).map(tuple))
def test_any_floats_come_back_to_the_last_bit(points: tuple[TracePoint, ...]) -> None:
    assert bits(decode_trace(encode_trace(points))) == bits(points)


@given(
    st.lists(
        st.builds(
            TracePoint,
            st.integers(0, 10**6).map(lambda ticks: ticks / 10_000),
            st.integers(-(10**5), 10**7).map(lambda ticks: ticks / 100),
            phases,
        )
    ).map(tuple)
)
def test_decimal_values_come_back_to_the_last_bit(points: tuple[TracePoint, ...]) -> None:
    assert bits(decode_trace(encode_trace(points))) == bits(points)


@given(
    st.lists(st.builds(TracePoint, st.floats(0, 100), st.floats(-1e5, 1e6, width=32), phases), min_size=1).map(tuple)
)
def test_values_of_a_32_bit_transmitter_come_back_to_the_last_bit(points: tuple[TracePoint, ...]) -> None:
    assert bits(decode_trace(encode_trace(points))) == bits(points)


def purge(points: int, quantise_t: Callable[[float], float], quantise_p: Callable[[float], float]) -> list[TracePoint]:
    """A purge at 10 Hz: noise 5 Pa, ripple 40 Pa while bubbling, jitter 0.3 ms in request and 0.5 ms in reply."""
    rng = random.Random(20_260_305)
    start_s = 123_456.789
    made = []
    for i in range(points):
        asked_s = start_s + 0.1 * i + abs(rng.gauss(0, 3e-4))
        answered_s = asked_s + 0.002 + abs(rng.gauss(0, 5e-4))
        part = i / points
        if part < 0.05:
            phase, gauge_pa = Phase.LOOK, 200.0
        elif part < 0.45:
            phase, gauge_pa = Phase.FILL, 200.0 + 20_000.0 * (part - 0.05) / 0.4
        elif part < 0.7:
            phase, gauge_pa = Phase.HOLD, 20_200.0 + rng.gauss(0, 40.0)
        else:
            phase, gauge_pa = Phase.SHUT_IN, 20_150.0 - 0.05 * i
        t_s = quantise_t((asked_s + answered_s) / 2 - start_s)
        made.append(TracePoint(t_s, quantise_p(gauge_pa + rng.gauss(0, 5.0)), phase))
    return made


def float32(value: float) -> float:
    """As a float32 register delivers it."""
    return float(struct.unpack("<f", struct.pack("<f", value))[0])


@pytest.mark.parametrize(
    ("quantise_t", "quantise_p", "most_bytes_a_point"),
    [
        pytest.param(lambda t: t, float32, 7.5, id="raw-clock-float32-register"),
        pytest.param(lambda t: t, lambda p: p, 11.0, id="raw-clock-64-bit"),
        pytest.param(lambda t: round(t, 4), lambda p: round(p, 2), 3.5, id="0.1-ms-and-0.01-Pa"),
    ],
)
def test_a_trace_takes_few_bytes(
    quantise_t: Callable[[float], float], quantise_p: Callable[[float], float], most_bytes_a_point: float
) -> None:
    points = purge(600, quantise_t, quantise_p)
    blob = encode_trace(points)
    assert bits(decode_trace(blob)) == bits(tuple(points))
    assert len(blob) / len(points) < most_bytes_a_point  # as it comes: 16 for the floats alone


@given(st.binary(max_size=60), st.integers(0, 400), st.booleans())
def test_a_damaged_trace_is_told_and_never_taken_for_another(junk: bytes, at: int, compressed: bool) -> None:
    blob = encode_trace(purge(40, float, float))
    body = zlib.decompress(blob)
    damaged = zlib.compress(body[:at] + junk + body[at + len(junk) :]) if compressed else blob[:at] + junk
    try:
        points = decode_trace(damaged)
    except StoreError:
        return
    # Only a rewritten body with a good checksum of its own can get here, and it must at least be whole.
    assert compressed or damaged.startswith(blob)
    assert len(points) <= len(body)


def test_a_trace_that_claims_billions_of_points_is_refused() -> None:
    bomb = zlib.compress(struct.pack("<II", 0xFFFF_FFFF, 1) + struct.pack("<IB", 0xFFFF_FFFF, 4) + b"rest")
    with pytest.raises(StoreError, match="damaged"):
        decode_trace(bomb)
