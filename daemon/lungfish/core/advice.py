"""What a row of the table of verdicts is, and the status signal that a finding carries. The rows: `advice_table`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType

from lungfish.core.codes import Category, Diagnosis, Quality

__all__ = ["AIR_OFF", "GAS", "PRESSED", "Advice", "Ground", "Source", "category_of", "signal_told"]

AIR_OFF = "shut the air off by hand, let it out and make sure it stays off before opening tube, line or valve"
GAS = "gas can come out of the tube and of stirred-up liquid: no confined-space entry, no leaning in without a permit"
PRESSED = "a plugged tube can hold its pressure for hours: let it out at the valve's end before opening any fitting"

_WORDS: Mapping[Category, str] = MappingProxyType(
    {
        Category.NONE: "no fault",
        Category.FAILURE: "failure",
        Category.FUNCTION_CHECK: "function check",
        Category.OUT_OF_SPECIFICATION: "out of specification",
        Category.MAINTENANCE: "maintenance required",
    }
)
"""The status signals of NAMUR NE 107 in words (from memory)."""


class Source(Enum):
    """Where a limit comes from."""

    GEOMETRY = "geometry"
    """Worked out from the site file: bores, lengths, heights, flow, density."""
    LEARNED = "learned"
    """From this tank's own earlier cycles."""
    TRANSMITTER = "transmitter"
    """From the transmitter's span and accuracy, or its noise in the look before."""
    PRACTICE = "common practice"
    """A number of the trade, or one chosen here from it."""
    PROTOCOL = "rule"
    """A rule of the cycle or of the link: answers, time-outs, confirmations."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """One thing that makes a verdict."""

    feature: str
    """What is looked at."""
    limit: str
    """When it makes the verdict, with the number."""
    source: Source
    """Where the number comes from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """One row of the table."""

    says: str
    """What the code says, in one line."""
    qualities: tuple[Quality, ...]
    """What a reading with it can be, the usual first."""
    grounds: tuple[Ground, ...]
    """What makes it; any one of them suffices, unless a line says otherwise."""
    remedies: tuple[str, ...]
    """What to do, the likeliest and cheapest first; empty: nothing."""
    caution: str | None = None
    """What can hurt while doing so; None: nothing beyond the general cautions."""


def category_of(code: Diagnosis, quality: Quality) -> Category:
    """The status signal of NAMUR NE 107 for a code and what it leaves of the reading.

    Args:
        code: the diagnosis.
        quality: of the finding.
    """
    if code in (Diagnosis.OK, Diagnosis.TIP_UNCOVERED):
        return Category.NONE
    if code is Diagnosis.ABORTED:
        return Category.FUNCTION_CHECK
    return {
        Quality.BAD: Category.FAILURE,
        Quality.UNCERTAIN: Category.OUT_OF_SPECIFICATION,
        Quality.GOOD: Category.MAINTENANCE,
    }[quality]


def signal_told(category: Category) -> str:
    """A status signal as it is shown: its letter and its words.

    Args:
        category: the signal.
    """
    words = _WORDS[category]
    return words if category is Category.NONE else f"{category.value} {words}"
