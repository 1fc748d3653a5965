"""The form of `clear.isolate`: the valve that cuts the transmitter off while a tube is blown down."""

from __future__ import annotations

from typing import Literal

from pydantic import ConfigDict

from lungfish.config.sections import Address, Section, UnitId
from lungfish.config.valve_form import OutputForm

__all__ = ["ContactForm", "IsolateForm"]


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


class IsolateForm(OutputForm):
    """A valve that is shut without power: open, the transmitter is on the tube; shut, it is cut off."""

    shut: ContactForm
    """Says that the valve itself, not its output, is shut."""
    safe: ContactForm
    """A pressure switch on the tube's side of it: says that the pressure is below what the transmitter bears."""
