"""The form of a contact."""

from __future__ import annotations

from typing import Literal

from pydantic import ConfigDict

from lungfish.config.sections import Address, Section, UnitId

__all__ = ["ContactForm"]


class ContactForm(Section):
    """A contact: one bit, yes or no."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["input"]}, {"required": ["coil"]}]})

    link: str
    """Name of a link."""
    unit: UnitId
    """Modbus unit id."""
    input: Address | None = None
    """0-based address of a discrete input; or `coil`."""
    coil: Address | None = None
    """0-based address of a coil."""
    active: Literal["high", "low"] = "high"
    """`low`: the bit is 0 when the contact says yes; high by default."""
