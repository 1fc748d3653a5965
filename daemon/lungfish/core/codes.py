"""Diagnosis codes, qualities and NAMUR NE 107 categories: names that other people's scripts hold on to."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

__all__ = ["GRAVITY_ORDER", "Category", "Diagnosis", "Finding", "Quality", "joined"]


class Quality(Enum):
    """How far a reading may be trusted: the severities of OPC UA."""

    GOOD = "good"
    UNCERTAIN = "uncertain"
    BAD = "bad"


class Category(Enum):
    """Status signals of NAMUR NE 107 (2017)."""

    NONE = "-"
    FAILURE = "F"
    FUNCTION_CHECK = "C"
    OUT_OF_SPECIFICATION = "S"
    MAINTENANCE = "M"


class Diagnosis(Enum):
    """What the cycle says of itself. The order is part of the Modbus map: append, never insert."""

    OK = "ok"
    TIP_UNCOVERED = "tip_uncovered"
    UNSTEADY = "unsteady"
    LINE_LEAK = "line_leak"
    TUBE_RESTRICTED = "tube_restricted"
    TUBE_PLUGGED = "tube_plugged"
    NO_AIR = "no_air"
    SUPPLY_LOW = "supply_low"
    VALVE_STUCK_OPEN = "valve_stuck_open"
    TRANSMITTER_FAULT = "transmitter_fault"
    TRANSMITTER_FROZEN = "transmitter_frozen"
    LINK_LOST = "link_lost"
    OVER_RANGE = "over_range"
    ABORTED = "aborted"

    @property
    def number(self) -> int:
        """Place in the table, from 0 for `ok`: the value of the diagnosis register."""
        return list(Diagnosis).index(self)


GRAVITY_ORDER: tuple[Diagnosis, ...] = (
    Diagnosis.VALVE_STUCK_OPEN,
    Diagnosis.OVER_RANGE,
    Diagnosis.LINK_LOST,
    Diagnosis.TRANSMITTER_FAULT,
    Diagnosis.TRANSMITTER_FROZEN,
    Diagnosis.TUBE_PLUGGED,
    Diagnosis.NO_AIR,
    Diagnosis.SUPPLY_LOW,
    Diagnosis.LINE_LEAK,
    Diagnosis.ABORTED,
    Diagnosis.UNSTEADY,
    Diagnosis.TUBE_RESTRICTED,
    Diagnosis.TIP_UNCOVERED,
    Diagnosis.OK,
)
"""The gravest first: what can let air run on, then what blinds the instrument, then what only widens a reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One verdict on one cycle."""

    code: Diagnosis
    """What it is."""
    quality: Quality
    """What it leaves of the reading."""
    sentence: str
    """Why, with the numbers and the limits, for a technician."""


def joined(findings: tuple[Finding, ...]) -> str:
    """The codes as `export` shows them: joined by `+`, the gravest first.

    Args:
        findings: at least one finding.
    """
    codes = {finding.code for finding in findings}
    return "+".join(code.value for code in GRAVITY_ORDER if code in codes)
