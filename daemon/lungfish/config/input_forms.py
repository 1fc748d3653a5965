"""The form of optional inputs: switches that tell what the pressure at the tube can't."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, ConfigDict, Field
from pydantic.json_schema import SkipJsonSchema

from lungfish.config.fields import PressureUnit, Quantity, told
from lungfish.config.sections import Address, Section, UnitId
from lungfish.units import DURATION, PRESSURE

__all__ = ["FlowForm", "InputsForm", "SiteInputsForm", "SupplyForm"]

_SupplyPressure = Annotated[float, Quantity(PRESSURE, "-1 bar", "25 bar")]


class FlowForm(Section):
    """A flow switch: it says yes while air passes the purge valve."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["input"]}, {"required": ["coil"]}]})

    link: str
    """Name of a link."""
    unit: UnitId
    """Modbus unit id."""
    input: Address | None = None
    """0-based address of the discrete input (function 2); or `coil`."""
    coil: Address | None = None
    """0-based address of the coil (function 1); or `input`."""
    active: Literal["high", "low"] = "high"
    """`low`: 0 means yes; high by default."""
    response: Annotated[float, Quantity(DURATION, "0 s", "60 s")] = 0.4
    """Its "no" counts only this long after opening; 400 ms by default (common practice for a reed contact)."""


class SupplyForm(Section):
    """A pressure switch of the supply, which says yes while pressure is there; or a pressure with a limit."""

    model_config = ConfigDict(
        json_schema_extra={
            "oneOf": [
                {"required": ["input"]},
                {"required": ["coil"]},
                {"required": ["register", "table", "format", "reads_in", "at_least"]},
            ]
        }
    )

    link: str
    """Name of a link."""
    unit: UnitId
    """Modbus unit id."""
    input: Address | None = None
    """0-based address of the discrete input (function 2); or `coil` or `register`."""
    coil: Address | None = None
    """0-based address of the coil (function 1)."""
    active: Literal["high", "low"] = "high"
    """`low`: 0 means yes; high by default. For `input` and `coil`."""
    register_: Annotated[Address | None, Field(alias="register")] = None
    """0-based address of the first register of a pressure."""
    table: Literal["input", "holding"] | None = None
    """Which registers: input (function 4) or holding (function 3)."""
    format: Literal["int16", "uint16", "int32", "uint32", "float32", "float64"] | None = None
    """How the number stands in the registers."""
    word_order: Literal["big", "little"] = "big"
    """Which register of a number comes first; big by default."""
    byte_order: Literal["big", "little"] = "big"
    """Which byte of a register comes first; big by default, as Modbus says."""
    scale: Annotated[float, Field(allow_inf_nan=False)] = 1.0
    """The number read is multiplied by this ...; 1 by default."""
    offset: _SupplyPressure = 0.0
    """... and this pressure is added; 0 Pa by default."""
    reads_in: PressureUnit | None = None
    """Pressure unit of the result, which is gauge."""
    at_least: _SupplyPressure | None = None
    """From this gauge pressure upwards the supply is there."""


def _of_a_tank(_value: object) -> None:
    raise told("a flow switch sits in the purge line of one tank", "write it under `inputs` of that tank")


class SiteInputsForm(Section):
    """Inputs that all tanks share."""

    supply: SupplyForm | None = None
    """The supply's switch, for every tank that has none of its own."""
    flow: SkipJsonSchema[Annotated[None, BeforeValidator(_of_a_tank)]] = None
    """Refused: it belongs to a tank."""


class InputsForm(Section):
    """Inputs of one tank."""

    supply: SupplyForm | None = None
    """Its own supply's switch; the site's by default."""
    flow: FlowForm | None = None
    """A switch in its purge line."""
