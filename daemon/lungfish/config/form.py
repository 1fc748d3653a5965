"""The site file's form: its keys, their kinds and bounds. The one definition behind checks and JSON schema alike.

Values leave here in SI. What the keys mean together is settled in `build`, whether they agree in `agreement`.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import AfterValidator, ConfigDict, Discriminator, Field, Tag

from lungfish.config.alarm_form import AlarmsForm
from lungfish.config.budget_form import BudgetForm, Tariff
from lungfish.config.clear_form import ClearForm
from lungfish.config.fields import Amperes, Name, Quantity, ReadingUnit, Share, SiteName, StorePath, TimeZone
from lungfish.config.input_forms import InputsForm, SiteInputsForm
from lungfish.config.link_forms import LinkForm
from lungfish.config.schedule_form import FasterForm, HoldOffForm, OutOfServiceForm, ScheduleForm
from lungfish.config.sections import PAIR, ROWS, Address, Section, Size, UnitId
from lungfish.config.text_form import TextForm
from lungfish.config.valve_form import ValveForm
from lungfish.config.vent_form import VentForm
from lungfish.config.vessels import VesselForm
from lungfish.config.watch_form import Watched
from lungfish.units import (
    ACCELERATION,
    ANGLE,
    CURRENT,
    DENSITY,
    DURATION,
    ENERGY_DENSITY,
    FLOW,
    LENGTH,
    PRESSURE,
    RATIO,
    TEMPERATURE,
)

__all__ = [
    "AirForm",
    "LiquidForm",
    "SiteFileForm",
    "SiteForm",
    "StoreForm",
    "TankForm",
    "TransmitterForm",
    "ValveForm",
]


Bore = Annotated[float, Quantity(LENGTH, "0.5 mm", "200 mm")]


class SiteForm(Section):
    """The place."""

    name: SiteName
    """Name for people and for the control room."""
    timezone: TimeZone
    """IANA time zone, such as `Europe/London`: at its midnight the day of the air ledger ends."""
    gravity: Annotated[float, Quantity(ACCELERATION, "9.7 m/s**2", "9.9 m/s**2")] | None = None
    """Local gravity; or `latitude` and `altitude`, and it is worked out."""
    latitude: Annotated[float, Quantity(ANGLE, "-90 deg", "90 deg")] | None = None
    """Geographic latitude."""
    altitude: Annotated[float, Quantity(LENGTH, "-430 m", "6000 m")] | None = None
    """Height above sea level."""
    pressure: Annotated[float, Quantity(PRESSURE, "400 hPa", "1100 hPa")] | None = None
    """Usual atmospheric pressure, absolute, at the site itself; by default from `altitude`, else 101325 Pa."""


class StoreForm(Section):
    """Where readings are kept."""

    path: StorePath
    """The store's file, relative to the site file."""


class AirForm(Section):
    """The compressed air."""

    supply: Annotated[float, Quantity(PRESSURE, "50 mbar", "20 bar")]
    """Gauge pressure upstream of the flow restrictor: a promise, what contradicts it is a fault."""
    flow: Annotated[float, Quantity(FLOW, "0.01 L/min", "200 L/min")]
    """Standard flow set at the restrictor."""
    reference: Literal["20 degC 1 bar", "0 degC 1 atm", "20 degC 1 atm", "60 degF 14.696 psi", "68 degF 14.5 psi"] = (
        "20 degC 1 bar"
    )
    """The state that `flow` is counted in; 20 degC and 1 bar (ISO 8778) by default."""
    temperature: Annotated[float, Quantity(TEMPERATURE, "-40 degC", "80 degC")] = 293.15
    """Air in tube and line; 20 degC by default."""
    critical_ratio: Annotated[float, Field(ge=0.0, le=0.9)] = 0.3
    """Critical pressure ratio b of the restrictor (ISO 6358); 0.3 by default (common practice)."""
    simultaneous: Annotated[int, Field(ge=1, le=100)] = 1
    """Purge valves that may be open at once; 1 by default."""
    stagger: bool = False
    """The tanks' slots are spread evenly over their intervals after the first cycle; not by default."""
    budget: BudgetForm | None = None
    """What may be spent over all tanks; no limit by default."""
    specific_power: Annotated[float, Quantity(ENERGY_DENSITY, "0.01 kWh/m**3", "2 kWh/m**3")] | None = None
    """The compressor's specific power, for the ledger: energy for a standard m3; 0.12 kWh/m**3 by default."""
    tariff: Tariff | None = None
    """Price of energy, for the ledger; 0.25/kWh by default."""


Density = Annotated[float, Quantity(DENSITY, "500 kg/m**3", "3000 kg/m**3")]
LiquidTemperature = Annotated[float, Quantity(TEMPERATURE, "-50 degC", "150 degC")]
DensityRow = Annotated[tuple[LiquidTemperature, Density], PAIR]


def _density_form(value: object) -> str:
    if isinstance(value, list | tuple):
        return "<table>"
    return "<water>" if value == "water" else "<value>"


class LiquidForm(Section):
    """The liquid."""

    density: Annotated[
        Annotated[Density, Tag("<value>")]
        | Annotated[Literal["water"], Tag("<water>")]
        | Annotated[tuple[DensityRow, ...], ROWS, Tag("<table>")],
        Discriminator(_density_form),
    ]
    """Density; or `water`; or rows of temperature and density: [[10 degC, 1188 kg/m**3], [30 degC, 1181 kg/m**3]]."""
    temperature: LiquidTemperature | None = None
    """Temperature of the liquid; needed for `water` and for a table, and only there."""
    tolerance: Annotated[float, Quantity(RATIO, "0 %", "20 %")] = 0.001
    """The density is within this much of what is written here; 0.1 % by default."""


class TubeForm(Section):
    """The dip tube."""

    tip: Annotated[float, Quantity(LENGTH, "0 mm", "50 m")]
    """Height of the tip above the tank floor."""
    bore: Bore
    """Inside diameter."""
    length: Size
    """From the tip to where the line joins."""
    tip_tolerance: Annotated[float, Quantity(LENGTH, "0 mm", "1 m")] = 0.002
    """The tip is within this much of `tip`; 2 mm by default (common practice for a steel rule)."""


class LineForm(Section):
    """The line from the valve to the tube."""

    bore: Bore
    """Inside diameter."""
    length: Annotated[float, Quantity(LENGTH, "0 m", "1000 m")]
    """Length."""
    tee: Literal["valve-end", "tube-end"]
    """Where the transmitter tees in: at `valve-end` it sees all of the line's friction, at `tube-end` none."""


GaugeOrAbsolute = Annotated[float, Quantity(PRESSURE, "-1 bar", "100 bar")]


def _accuracy_form(value: object) -> str:
    return "<share>" if isinstance(value, str) and value.rstrip().endswith(("%", "ppm", "percent")) else "<pressure>"


def _offset_form(value: object) -> str:
    return "<current>" if isinstance(value, str) and value.rstrip().endswith("A") else "<pressure>"


class TransmitterForm(Section):
    """The pressure transmitter and where its number is read."""

    model_config = ConfigDict(
        json_schema_extra={
            "oneOf": [
                {"required": ["unit", "table", "register", "format", "reads_in"], "not": {"required": ["text"]}},
                {"required": ["text"]},
            ]
        }
    )

    link: str
    """Name of a link."""
    text: TextForm | None = None
    """Lines of text, instead of Modbus registers."""
    unit: UnitId | None = None
    """Modbus unit id."""
    table: Literal["input", "holding"] | None = None
    """Which registers: input (function 4) or holding (function 3)."""
    register_: Annotated[Address | None, Field(alias="register")] = None
    """0-based address of the first register."""
    format: Literal["int16", "uint16", "int32", "uint32", "float32", "float64"] | None = None
    """How the number stands in the registers."""
    word_order: Literal["big", "little"] = "big"
    """Which register of a number comes first; big by default."""
    byte_order: Literal["big", "little"] = "big"
    """Which byte of a register comes first; big by default, as Modbus says."""
    scale: Annotated[float, Field(allow_inf_nan=False)] = 1.0
    """The number read is multiplied by this ...; 1 by default."""
    offset: (
        Annotated[
            Annotated[GaugeOrAbsolute, Tag("<pressure>")]
            | Annotated[
                Annotated[float, Quantity(CURRENT, "-24 mA", "24 mA"), AfterValidator(Amperes)], Tag("<current>")
            ],
            Discriminator(_offset_form),
        ]
        | None
    ) = None
    """... and this is added: a pressure, or for `mA` a current; nothing by default."""
    counts: Annotated[tuple[int, int], PAIR] | None = None
    """For `mA`, instead of `scale` and `offset`: what is read at 4 mA and at 20 mA."""
    reads_in: ReadingUnit | None = None
    """Pressure unit of the result; or `mA`: 4 and 20 mA are the ends of `span`, and NAMUR NE 43 says which currents
    mean that the transmitter has failed. Left out where a line of text names its unit."""
    reference: Literal["gauge", "absolute"] = "gauge"
    """What the transmitter measures against; gauge by default."""
    span: Annotated[tuple[GaugeOrAbsolute, GaugeOrAbsolute], PAIR]
    """Least and greatest pressure of its span, in its own reference."""
    accuracy: (
        Annotated[
            Annotated[Annotated[float, Quantity(RATIO, "0 %", "10 %"), AfterValidator(Share)], Tag("<share>")]
            | Annotated[Annotated[float, Quantity(PRESSURE, "0 Pa", "1 bar")], Tag("<pressure>")],
            Discriminator(_accuracy_form),
        ]
        | None
    ) = None
    """Greatest error, as a share of the span or as a pressure; 0.1 % by default (common practice)."""
    height: Annotated[float, Quantity(LENGTH, "-20 m", "200 m")] | None = None
    """Height above the tip; the tube's length by default."""
    damping: Annotated[float, Quantity(DURATION, "0 s", "60 s")] | None = None
    """Time constant; found by itself by default."""
    overload: Annotated[float, Quantity(PRESSURE, "1 kPa", "1000 bar")] | None = None
    """Highest gauge pressure that its cell bears without harm, from its data sheet; the top of the span by default."""
    vent: VentForm | None = None
    """A valve that opens it to the atmosphere, for a regular check of its zero; none by default."""


# Looser than the check itself: in many editors `\w` knows plain letters only.
_NAMED: Final = {"propertyNames": {"pattern": r"^[^\s.,:;/#'\"]{1,40}$"}}


class TankForm(Section):
    """One tank."""

    vented: Annotated[bool, Field(json_schema_extra={"const": True})]
    """The operator's statement that the tank is open to the air; must be true."""
    tolerates_air: Annotated[bool, Field(json_schema_extra={"const": True})]
    """The operator's statement that the liquid may have air blown through it; must be true."""
    liquid: LiquidForm
    """The liquid."""
    vessel: VesselForm
    """The tank's shape."""
    tube: TubeForm
    """The dip tube."""
    line: LineForm | None = None
    """The line from valve to tube; left out when the valve sits on the tube."""
    transmitter: TransmitterForm
    """The pressure transmitter."""
    valve: ValveForm
    """The purge valve."""
    every: Annotated[float, Quantity(DURATION, "5 s", "7 day")]
    """Longest time between the starts of two purges."""
    budget: BudgetForm | None = None
    """What this tank may spend of the air; no limit by default."""
    clear: ClearForm | None = None
    """What may be done by itself about a plugged tube; nothing by default."""
    watch: Watched | None = None
    """How the shut tube is listened to between purges; on by default, `off`: the timer alone rules."""
    alarms: AlarmsForm | None = None
    """Levels and speeds that somebody must be told of; none by default."""
    inputs: InputsForm | None = None
    """Optional switches of its supply and its air flow."""
    schedule: Annotated[tuple[ScheduleForm, ...] | None, Field(min_length=1, max_length=100, strict=False)] = None
    """Hours with shorter intervals, and moments at which a purge is due; none by default."""
    faster: FasterForm | None = None
    """Purges closer together while the level moves; never by default."""
    hold_off: Annotated[
        dict[Name, HoldOffForm] | None, Field(min_length=1, max_length=20, json_schema_extra=_NAMED)
    ] = None
    """Contacts that postpone a purge, by name, such as of a mixer; none by default."""
    out_of_service: OutOfServiceForm | None = None
    """No purge until a moment; in service by default."""


class SiteFileForm(Section):
    """A lungfish site file: one site with its links, its air and its tanks."""

    site: SiteForm
    """The place."""
    store: StoreForm
    """Where readings are kept."""
    links: Annotated[dict[Name, LinkForm], Field(min_length=1, max_length=100, json_schema_extra=_NAMED)]
    """Connections to I/O devices, by name."""
    air: AirForm
    """The compressed air."""
    inputs: SiteInputsForm | None = None
    """Optional inputs that all tanks share."""
    tanks: Annotated[dict[Name, TankForm], Field(min_length=1, max_length=500, json_schema_extra=_NAMED)]
    """Tanks, by name."""
