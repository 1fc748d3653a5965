"""What is spoken with devices that have no Modbus: lines of a transmitter, byte strings of a relay board."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

__all__ = ["Checksum", "RelaySpec", "TextSpec"]


class Checksum(Enum):
    """How a line says that it is whole."""

    NONE = "none"
    XOR = "xor"
    SUM = "sum"
    CRC16 = "crc-16"


@dataclass(frozen=True, slots=True, kw_only=True)
class TextSpec:
    """Lines of a transmitter."""

    ask: bytes | None
    """What it is asked with; None: it sends by itself."""
    pattern: re.Pattern[str]
    """A whole line, its end left out."""
    ends: bytes
    """What ends a line."""
    checksum: Checksum
    """How the line says that it is whole."""
    max_age_s: float
    """A line that came by itself counts for so long, s."""
    units_pa: Mapping[str, float]
    """What the words of the group `unit` are worth, Pa; empty without that group."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RelaySpec:
    """Byte strings of one relay of a board."""

    open: bytes
    """What opens the valve."""
    shut: bytes
    """What shuts it."""
    ask: bytes | None = None
    """What asks for its state; None: nothing does."""
    open_answer: bytes | None = None
    """What says that it is open; None: nothing does."""
    shut_answer: bytes | None = None
    """What says that it is shut; None: nothing does."""

    @property
    def confirms(self) -> bool:
        """Whether the board says what it has done."""
        return self.open_answer is not None and self.shut_answer is not None
