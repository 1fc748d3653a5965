"""The forms of valves, and where they are driven from."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import ConfigDict, Field

from lungfish.config.contact_form import ContactForm
from lungfish.config.fields import Quantity
from lungfish.config.sections import Address, Section, UnitId
from lungfish.config.text_form import RelayForm
from lungfish.units import DURATION

__all__ = ["LimitSwitchForm", "OutputForm", "PulseForm", "ValveForm"]


class OutputForm(Section):
    """Where a valve is driven from."""

    model_config = ConfigDict(
        json_schema_extra={
            "oneOf": [
                {"required": ["unit", "coil"]},
                {"required": ["unit", "register"]},
                {"required": ["relay"]},
                {"required": ["line"]},
            ]
        }
    )

    link: str
    """Name of a link."""
    unit: UnitId | None = None
    """Modbus unit id, for `coil` and `register`."""
    relay: RelayForm | None = None
    """Byte strings of a relay board that is no Modbus device; or `coil` or `register`."""
    line: Annotated[int, Field(ge=0, le=1023)] | None = None
    """Number of a line of a `gpio` link, one of the computer's own pins; or `coil` or `register`."""
    coil: Address | None = None
    """0-based address of the coil; or `register`."""
    register_: Annotated[Address | None, Field(alias="register")] = None
    """0-based address of the holding register; or `coil`."""
    bit: Annotated[int, Field(ge=0, le=15)] | None = None
    """The bit of `register` that drives the valve, 0 the least; the others are kept. The whole register by default."""
    mask_write: bool = False
    """`true`: the device changes one bit by itself (function 22); by default the register is read and written."""
    open_value: Annotated[int, Field(ge=0, le=65535)] | None = None
    """What opens the valve when written to `register`; 1 by default."""
    shut_value: Annotated[int, Field(ge=0, le=65535)] | None = None
    """What shuts it; 0 by default."""
    active: Literal["high", "low"] = "high"
    """`low`: the valve opens when the coil, the bit or the line is off; high by default."""
    module_timeout: Annotated[float, Quantity(DURATION, "100 ms", "1 h")] | None = None
    """The I/O block's own output time-out, as set there: without a request for so long it shuts the valve by itself.
    Your statement, to be tried with the cable pulled; none is known by default."""


class PulseForm(Section):
    """A register that takes the length of an opening: the I/O block shuts the valve by itself when it is over."""

    register_: Annotated[Address, Field(alias="register")]
    """0-based address of the holding register that the length is written to."""
    unit_time: Annotated[float, Quantity(DURATION, "1 ms", "60 s")]
    """What one count of it is worth."""
    most: Annotated[int, Field(ge=1, le=65535)] = 65535
    """The greatest count that the block takes; 65535 by default."""


class LimitSwitchForm(ContactForm):
    """A contact that the valve itself moves: it confirms what the output says."""

    says: Literal["shut", "open"] = "shut"
    """What its yes means; shut by default."""
    within: Annotated[float, Quantity(DURATION, "50 ms", "10 s")] = 1.0
    """Longest time that the valve takes to move; 1 s by default."""


class ValveForm(OutputForm):
    """The purge valve and where it is driven from."""

    max_open: Annotated[float, Quantity(DURATION, "1 s", "1 h")]
    """Longest time that the valve may be open in one cycle."""
    pulse: PulseForm | None = None
    """How the block is told to open for a time and to shut by itself; `coil` or `register` then shows the output and
    shuts it early. By default the output is held."""
    limit_switch: LimitSwitchForm | None = None
    """A contact at the valve itself; none by default."""
    rated_operations: Annotated[int, Field(ge=1, le=10**12)] | None = None
    """Openings that it is rated for, from its data sheet, for the ledger; not known by default."""
