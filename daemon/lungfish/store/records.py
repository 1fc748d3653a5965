"""What the store gives back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from lungfish.ports import Stamp

__all__ = ["AirDay", "AirUse", "StoredEvent", "StoredReading"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredReading:
    """A reading as it stands in the store."""

    id: int
    """Row; grows in the order of keeping."""
    seq: int
    """Number within its boot, from 1, without a hole."""
    tank: str
    """Name in the site file."""
    at: Stamp
    """The moment that the level is true for."""
    level_m: float | None
    """Level above the floor, m; None when not known."""
    level_u_m: float | None
    """Expanded uncertainty (k = 2), m; None when not known."""
    head_pa: float | None
    """Head above the tip, Pa; None when not known."""
    volume_m3: float | None
    """Volume in the vessel, m3; None when not known."""
    quality: str
    """`good`, `uncertain` or `bad`."""
    diagnosis: str
    """Codes joined by `+`, the gravest first."""
    purge_s: float | None
    """Time the valve was open, s; None when not known, as after a death of the daemon."""
    air_sl: float | None
    """Standard litres used; None when not known."""
    config: str | None
    """Hash of the settings in force; None when not told."""
    evidence: Mapping[str, object]
    """Features, budget, sentences."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredEvent:
    """An event as it stands in the store."""

    id: int
    """Row; grows in the order of keeping."""
    seq: int
    """Number within its boot; grows."""
    at: Stamp
    """When."""
    kind: str
    """Short name."""
    tank: str | None
    """The tank concerned; None for the site."""
    text: str
    """One sentence for a person."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AirUse:
    """Air that was used over a time."""

    air_sl: float
    """Standard litres of the purges whose air is known."""
    open_s: float
    """Time that the valve was open in them, s."""
    purges: int
    """Openings, those of unknown length included."""
    unknown: int
    """Openings of which the time or the air is not known: they are missing in the sums."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AirDay:
    """One line of the daily air ledger."""

    day: str
    """Local date, ISO 8601."""
    tank: str
    """Name in the site file."""
    use: AirUse
    """What was used from midnight to midnight."""
