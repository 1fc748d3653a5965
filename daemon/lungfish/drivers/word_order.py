"""One pressure under every way that a number can stand in registers, and which ways can be right. Pure.

A wrong word order gives a number all the same. It is seen by what can't be: with the valve shut a tank's pressure lies
within what its transmitter can show, stands nearly still, and is no number next to nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lungfish.config.model import ByteOrder, NumberFormat, TransmitterSpec
from lungfish.drivers.formats import decode

__all__ = ["Interpretation", "interpretations", "verdict"]

_BELOW, _ABOVE = 0.025, 0.03125
"""Shares of the span that a sound value may lie outside: NAMUR NE 43 of a 4 to 20 mA span (3.6 and 20.5 mA)."""
_STILL = 0.02
"""Share of the span that a shut tube's pressure stays within while it is read."""
_LEAST_FLOAT = 1e-20
"""A float smaller than this, and not 0, is a number read in the wrong order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Interpretation:
    """The registers, read in one way."""

    format: NumberFormat
    """How the number stands in them."""
    word_order: ByteOrder
    """Which register comes first."""
    byte_order: ByteOrder
    """Which byte of a register comes first."""
    number: float
    """The number, of the last look."""
    gauge_pa: float
    """The gauge pressure that it means by the site file's unit or scale, Pa."""
    as_configured: bool
    """This is how the site file says it."""
    possible: bool
    """In every look it was a pressure that a shut, vented tank can have."""

    @property
    def keys(self) -> str:
        """As it is written in a site file."""
        return f"format: {self.format.value}, word_order: {self.word_order.value}, byte_order: {self.byte_order.value}"


def interpretations(looks: Sequence[Sequence[int]], spec: TransmitterSpec) -> list[Interpretation]:
    """Every way to read the registers, the configured one first.

    Args:
        looks: registers of several looks, at least one, each with as many as the longest format that was read.
        spec: how the site file reads them.
    """
    found = []
    for each in NumberFormat:
        if each.registers > len(looks[0]):
            continue
        words = (ByteOrder.BIG, ByteOrder.LITTLE) if each.registers > 1 else (spec.word_order,)
        found += [_one(looks, spec, each, word, byte) for word in words for byte in (ByteOrder.BIG, ByteOrder.LITTLE)]
    return sorted(found, key=lambda one: not one.as_configured)


def _one(
    looks: Sequence[Sequence[int]], spec: TransmitterSpec, number_format: NumberFormat, word: ByteOrder, byte: ByteOrder
) -> Interpretation:
    numbers = [
        decode(look[: number_format.registers], number_format=number_format, word_order=word, byte_order=byte)
        for look in looks
    ]
    gauges_pa = [spec.offset_gauge_pa + spec.scale_pa * number for number in numbers]
    span_pa = spec.span_high_gauge_pa - spec.span_low_gauge_pa
    low_pa, high_pa = spec.span_low_gauge_pa - _BELOW * span_pa, spec.span_high_gauge_pa + _ABOVE * span_pa
    possible = (
        all(math.isfinite(gauge_pa) and low_pa <= gauge_pa <= high_pa for gauge_pa in gauges_pa)
        and max(gauges_pa) - min(gauges_pa) <= _STILL * span_pa
        and not (number_format.is_float and any(0.0 < abs(number) < _LEAST_FLOAT for number in numbers))
    )
    return Interpretation(
        format=number_format,
        word_order=word,
        byte_order=byte,
        number=numbers[-1],
        gauge_pa=gauges_pa[-1],
        as_configured=(number_format, word, byte) == (spec.format, spec.word_order, spec.byte_order),
        possible=possible,
    )


def verdict(found: Sequence[Interpretation], looks: Sequence[Sequence[int]]) -> tuple[bool, str]:
    """What follows for the site file.

    Args:
        found: what `interpretations` gave.
        looks: the registers.

    Returns:
        Whether the site file's way can be right, and a sentence.
    """
    configured = found[0]
    if not any(any(look) for look in looks):
        return configured.possible, "every register is 0, which tells nothing of the order; look again under pressure"
    others = [each for each in found[1:] if each.possible]
    same = [each for each in others if each.format is configured.format]
    if configured.possible:
        doubt = f"; so could: {same[0].keys}" if same else ""
        return True, f"as the site file says it, it can be right{doubt}"
    likely = (same or sorted(others, key=lambda each: -each.format.registers))[:1]
    if likely:
        return False, f"as the site file says it, it can't be right; most likely: {likely[0].keys}"
    return False, "it can't be right, whatever the order: look at register, table, unit and `reads_in`"
