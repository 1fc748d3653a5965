"""The forms of valves, and where they are driven from."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import ConfigDict, Field

from lungfish.config.fields import Quantity
from lungfish.config.sections import Address, Section, UnitId
from lungfish.units import DURATION

__all__ = ["OutputForm", "ValveForm"]


class OutputForm(Section):
    """Where a valve is driven from."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["coil"]}, {"required": ["register"]}]})

    link: str
    """Name of a link."""
    unit: UnitId
    """Modbus unit id."""
    coil: Address | None = None
    """0-based address of the coil; or `register`."""
    register_: Annotated[Address | None, Field(alias="register")] = None
    """0-based address of the holding register; or `coil`."""
    open_value: Annotated[int, Field(ge=0, le=65535)] | None = None
    """What opens the valve when written to `register`; 1 by default."""
    shut_value: Annotated[int, Field(ge=0, le=65535)] | None = None
    """What shuts it; 0 by default."""
    active: Literal["high", "low"] = "high"
    """`low`: the valve opens when the coil is off; high by default."""
    module_timeout: Annotated[float, Quantity(DURATION, "100 ms", "1 h")] | None = None
    """The I/O block's own output time-out, as set there: without a request for so long it shuts the valve by itself.
    Your statement, to be tried with the cable pulled; none is known by default."""


class ValveForm(OutputForm):
    """The purge valve and where it is driven from."""

    max_open: Annotated[float, Quantity(DURATION, "1 s", "1 h")]
    """Longest time that the valve may be open in one cycle."""
    rated_operations: Annotated[int, Field(ge=1, le=10**12)] | None = None
    """Openings that it is rated for, from its data sheet, for the ledger; not known by default."""
