"""What a site file means: frozen SI values, checked, that every other part of lungfish works from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from lungfish.config.alarm_model import NO_ALARMS, AlarmLimits
from lungfish.config.budget import NO_LIMITS, TANK_LIMITS, USUAL_COST, CostSpec
from lungfish.config.link_model import LinkSpec, ModbusTcpLinkSpec
from lungfish.config.schedule_model import EVERY_ALONE, Schedule
from lungfish.config.text_model import TextSpec
from lungfish.config.valve_model import (
    Output,
    ValveSpec,
    VentSpec,
    blow_valve_name,
    isolating_valve_name,
    valve_names,
    vent_valve_name,
)
from lungfish.config.watching import WatchSpec
from lungfish.config.wire_model import Bit, ByteOrder, NumberFormat, RegisterTable, SwitchSpec
from lungfish.core.air_budget import Limits
from lungfish.errors import Problem
from lungfish.physics.standard import ReferenceState
from lungfish.physics.vessel import Vessel

__all__ = [
    "AirSpec",
    "AlarmLimits",
    "Bit",
    "ByteOrder",
    "ClearSpec",
    "InputsSpec",
    "IsolateSpec",
    "LiquidSpec",
    "ModbusTcpLinkSpec",
    "NumberFormat",
    "Output",
    "PressureLimitSpec",
    "RegisterTable",
    "Site",
    "SwitchSpec",
    "Tank",
    "Tee",
    "TransmitterSpec",
    "ValveSpec",
    "VentSpec",
    "WatchSpec",
    "blow_valve_name",
    "isolating_valve_name",
    "vent_valve_name",
]


class Tee(Enum):
    """Where the transmitter tees into the line."""

    VALVE_END = "valve-end"
    TUBE_END = "tube-end"


@dataclass(frozen=True, slots=True, kw_only=True)
class AirSpec:
    """The compressed air of the site."""

    supply_gauge_pa: float
    """Pressure upstream of the flow restrictors, gauge, Pa."""
    flow_m3_s: float
    """Flow that the restrictors are set to, counted in `reference`, m3/s."""
    reference: ReferenceState
    """The state that `flow_m3_s` is counted in."""
    flow_pa_m3_s: float
    """The same flow as throughput pV at `temperature_k`, Pa m3/s."""
    temperature_k: float
    """Temperature of the air in tube and line, K."""
    critical_ratio: float
    """Critical pressure ratio b of the restrictors (ISO 6358), 1."""
    simultaneous: int
    """Purge valves that may be open at once."""
    budget: Limits = NO_LIMITS
    """What may be spent over all tanks."""
    cost: CostSpec = USUAL_COST
    """What air costs, for the ledger."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LiquidSpec:
    """The liquid in a tank."""

    density_kg_m3: float
    """Density, kg/m3."""
    density_u_kg_m3: float
    """Its standard uncertainty, kg/m3."""
    temperature_k: float | None
    """Temperature that the density was worked out for, K; None when the density was stated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TransmitterSpec:
    """Where the pressure is read and what the number means."""

    link: str
    """Name of the link."""
    unit: int
    """Modbus unit id; this and the next five say nothing where there is `text`."""
    table: RegisterTable
    """Input or holding registers."""
    register: int
    """0-based address of the first register."""
    format: NumberFormat
    """How the number stands in the registers."""
    word_order: ByteOrder
    """Which register comes first."""
    byte_order: ByteOrder
    """Which byte of a register comes first; BIG is what Modbus says."""
    scale_pa: float
    """Pa for each count of the number read; negative when the number falls with pressure, never 0."""
    offset_gauge_pa: float
    """Gauge pressure when the number reads 0, Pa: gauge = offset + scale x number."""
    span_low_gauge_pa: float
    """Gauge pressure at the bottom of the span, Pa."""
    span_high_gauge_pa: float
    """Gauge pressure at the top of the span, Pa."""
    u_pa: float
    """Standard uncertainty of a reading, Pa: stated accuracy, resolution, and weather for an absolute one."""
    height_m: float
    """Height above the tip, m."""
    damping_s: float | None
    """Time constant, s; None when it is to be found by itself."""
    absolute: bool = False
    """It measures absolute pressure; the usual atmosphere is taken off in `offset_gauge_pa` and the span."""
    overload_gauge_pa: float | None = None
    """Highest gauge pressure that its cell bears, Pa; None when not stated."""
    current_loop: bool = False
    """It is read as a current: 4 and 20 mA are the ends of the span, and NAMUR NE 43 says which ones mean a failure."""
    text: TextSpec | None = None
    """Its lines of text; None: it is read by Modbus."""
    vent: VentSpec | None = None
    """A valve that opens it to the atmosphere for a zero check; None: there is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureLimitSpec:
    """A pressure in registers that stands for a switch: yes from a limit upwards."""

    link: str
    """Name of the link."""
    unit: int
    """Modbus unit id."""
    table: RegisterTable
    """Input or holding registers."""
    register: int
    """0-based address of the first register."""
    format: NumberFormat
    """How the number stands in the registers."""
    word_order: ByteOrder
    """Which register comes first."""
    byte_order: ByteOrder
    """Which byte of a register comes first."""
    scale_pa: float
    """Pa for each count of the number read, never 0."""
    offset_gauge_pa: float
    """Gauge pressure when the number reads 0, Pa."""
    at_least_gauge_pa: float
    """The limit, gauge, Pa."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InputsSpec:
    """Optional inputs that tell what the pressure at the tube can't."""

    supply: SwitchSpec | PressureLimitSpec | None = None
    """Says whether the supply is there; None: nothing does."""
    flow: SwitchSpec | None = None
    """Says whether air passes the purge valve; None: nothing does."""
    flow_response_s: float = 0.0
    """Time that `flow` takes to see air, s; 0 without it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IsolateSpec:
    """The valve that cuts a transmitter off, and what tells of it."""

    valve: ValveSpec
    """Where it is driven from: open, the transmitter is on the tube."""
    shut: SwitchSpec
    """Says that it is shut."""
    safe: SwitchSpec
    """Says that the pressure on the tube's side is below what the transmitter bears."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearSpec:
    """What may be done by itself about a plugged tube."""

    pressure_gauge_pa: float
    """Highest pressure that line and tube may see, gauge, Pa."""
    pulses: int
    """Pulses of one try."""
    pulse_s: float
    """Longest pulse, s."""
    rest_s: float
    """From the end of a pulse to the next, s."""
    tries: int
    """Tries within 24 h."""
    between_s: float
    """From the start of a try to that of the next, at least, s."""
    friction_ratio: float
    """Friction over what is expected from which a restricted tube is blown down, 1."""
    delay_s: float
    """Longest time from the decision to shut to the valve being shut, s."""
    valve: ValveSpec | None = None
    """The blow valve, if it is one of its own; None: the purge valve blows."""
    supply_gauge_pa: float | None = None
    """Pressure of the air that it lets in, gauge, Pa; None: that of the site."""
    flow_pa_m3_s: float | None = None
    """Greatest flow that it lets in, as throughput pV at the air's temperature, Pa m3/s; None: the restrictor's."""
    isolate: IsolateSpec | None = None
    """What cuts the transmitter off meanwhile; None: nothing does."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tank:
    """One tank with its tube, line, transmitter and valve."""

    name: str
    """Name in the site file."""
    liquid: LiquidSpec
    """What is in it."""
    vessel: Vessel
    """Its shape: level to volume."""
    vessel_height_m: float
    """Brim above the tank floor, m."""
    tip_m: float
    """Tip of the tube above the tank floor, m."""
    tip_u_m: float
    """Its standard uncertainty, m."""
    tube_bore_m: float
    """Bore of the dip tube, m."""
    tube_length_m: float
    """From the tip to where the line joins, m."""
    line_bore_m: float
    """Bore of the line from valve to tube, m; that of the tube when there is no line."""
    line_length_m: float
    """Length of the line, m; 0 when the valve sits on the tube."""
    tee: Tee
    """Where the transmitter tees in."""
    transmitter: TransmitterSpec
    """The pressure transmitter."""
    valve: ValveSpec
    """The purge valve."""
    every_s: float
    """Longest time between the starts of two purges, s."""
    inputs: InputsSpec = InputsSpec()
    """Switches for supply and flow; the site's own where the tank has none."""
    budget: Limits = TANK_LIMITS
    """What this tank may spend of the air."""
    clear: ClearSpec | None = None
    """What may be done about a plugged tube; None: nothing is blown."""
    watch: WatchSpec | None = None
    """How it is listened to between purges; None: it is not."""
    alarms: AlarmLimits = NO_ALARMS
    """Levels and speeds that somebody must be told of; by default none."""
    schedule: Schedule = EVERY_ALONE
    """What says when it is purged besides `every`; by default nothing."""

    @property
    def blow_valve(self) -> ValveSpec | None:
        """The blow valve of its own; None when there is none."""
        return self.clear.valve if self.clear is not None else None

    @property
    def isolate(self) -> IsolateSpec | None:
        """What cuts its transmitter off while the tube is blown down; None: nothing does."""
        return self.clear.isolate if self.clear is not None else None

    @property
    def vent_valve(self) -> ValveSpec | None:
        """The transmitter's vent valve; None when there is none."""
        return self.transmitter.vent.valve if self.transmitter.vent is not None else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A whole site file."""

    name: str
    """Name for people."""
    timezone: str
    """IANA time zone; the day of the air ledger ends at its midnight."""
    gravity_m_s2: float
    """Local gravity, m/s2."""
    gravity_u_m_s2: float
    """Its standard uncertainty, m/s2."""
    atmosphere_abs_pa: float
    """Atmospheric pressure, Pa absolute."""
    store_path: Path
    """The store's file, absolute."""
    links: Mapping[str, LinkSpec]
    """Links by name, in the file's order."""
    air: AirSpec
    """Compressed air."""
    tanks: Mapping[str, Tank]
    """Tanks by name, in the file's order; at least one."""
    warnings: tuple[Problem, ...] = ()
    """What is allowed but unwise, each with line, key and what would be better."""
    defaults: tuple[str, ...] = ()
    """What the file left out and lungfish assumed, as `key: value` lines."""

    @property
    def valves(self) -> Mapping[str, ValveSpec]:
        """Every valve that lungfish drives, by what it is called: its tank's name, the others of a tank with that."""
        found = {}
        for name, tank in self.tanks.items():
            found[name] = tank.valve
            if tank.blow_valve is not None:
                found[blow_valve_name(name)] = tank.blow_valve
            if tank.isolate is not None:
                found[isolating_valve_name(name)] = tank.isolate.valve
            if tank.vent_valve is not None:
                found[vent_valve_name(name)] = tank.vent_valve
        return found

    def owner(self, called: str) -> str:
        """The tank that a valve belongs to.

        Args:
            called: what the valve is called.
        """
        return next((name for name in self.tanks if called in valve_names(name)), called)
