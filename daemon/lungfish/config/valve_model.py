"""What a valve of a site file means, and what each valve of a tank is called."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Final

from lungfish.config.text_model import RelaySpec
from lungfish.config.wire_model import SwitchSpec

__all__ = [
    "LimitSwitchSpec",
    "Output",
    "PulseSpec",
    "ValveSpec",
    "VentSpec",
    "blow_valve_name",
    "isolating_valve_name",
    "shut_by_this_computer_alone",
    "valve_names",
    "valves_shut_by_this_computer_alone",
    "vent_valve_name",
]


class Output(Enum):
    """What kind of output drives a valve."""

    COIL = "coil"
    REGISTER = "register"
    BIT = "register bit"
    RELAY = "relay"
    LINE = "line"


_PULSE_OVER_S: Final = 0.5
"""A pulse ends this long after the valve's own limit: our order to shut comes first, and a purge that takes all of its
time is not cut off before its reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseSpec:
    """A register that takes the length of an opening, after which the I/O block shuts the valve by itself."""

    register: int
    """0-based address of the holding register."""
    unit_s: float
    """What one count is worth, s."""
    most: int
    """The greatest count that the block takes."""

    def count(self, max_open_s: float) -> int:
        """What is written to open a valve.

        Args:
            max_open_s: longest time that it may be open, s.
        """
        return math.ceil((max_open_s + _PULSE_OVER_S) / self.unit_s - 1e-9)

    @property
    def longest_s(self) -> float:
        """Longest `max_open_s` that the block can count, s."""
        return self.most * self.unit_s - _PULSE_OVER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSwitchSpec:
    """A contact that the valve itself moves."""

    switch: SwitchSpec
    """Where it is read."""
    says_shut: bool
    """Its yes means shut; else open."""
    within_s: float
    """Longest time that the valve takes to move, s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveSpec:
    """Where a valve is driven from."""

    link: str
    """Name of the link."""
    unit: int
    """Modbus unit id; 0 for a relay board."""
    output: Output
    """A coil, a holding register, one bit of it, a relay board that is no Modbus device, or one of our own pins."""
    address: int
    """0-based address; the number of a line; 0 for a relay board."""
    open_value: int
    """What opens it: what is written, or 0 or 1 for a coil or a bit."""
    shut_value: int
    """What shuts it; never the same."""
    max_open_s: float
    """Longest time that it may be open in one cycle or zero check, s; infinite: no limit."""
    rated_operations: int | None = None
    """Openings that it is rated for; None: not known."""
    module_timeout_s: float | None = None
    """The I/O block takes the output back by itself after this long without a request, as its owner states, s; None:
    it is not known to."""
    bit: int | None = None
    """Which bit of the register, 0 the least significant; None: not by a bit."""
    mask_write: bool = False
    """The device changes a bit by itself (function 22); else the register is read and written."""
    pulse: PulseSpec | None = None
    """It is opened by writing how long; None: the output is held."""
    relay: RelaySpec | None = None
    """The byte strings of a relay board; None: it is driven by Modbus."""
    limit_switch: LimitSwitchSpec | None = None
    """What the valve itself says; None: nothing does."""

    @property
    def place(self) -> str:
        """For people: `link panel, unit 1, coil 0`."""
        if self.relay is not None:
            return f"link {self.link}, relay {self.relay.open!r}"
        if self.output is Output.LINE:
            return f"link {self.link}, line {self.address}"
        bit = "" if self.bit is None else f".{self.bit}"
        return f"link {self.link}, unit {self.unit}, {self.output.value} {self.address}{bit}"

    @property
    def outside_bound_s(self) -> float | None:
        """Longest time that the valve stays open when this computer, or the way to the block, dies, s; None: for ever.

        The one place that knows which layers outside the computer there are.
        """
        pulse_s = None if self.pulse is None else self.pulse.count(self.max_open_s) * self.pulse.unit_s
        return min((each_s for each_s in (self.module_timeout_s, pulse_s) if each_s is not None), default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class VentSpec:
    """The valve that opens a transmitter to the atmosphere, and how it is used."""

    valve: ValveSpec
    """Where it is driven from: open, the transmitter is on the atmosphere and cut off from the tube."""
    every_s: float
    """From one zero check to the next, s."""
    correct: bool
    """Whether a zero that was found is taken out of the readings."""


def valves_shut_by_this_computer_alone(valves: Mapping[str, ValveSpec]) -> list[str]:
    """Valves that nothing is known to shut when this computer, its network or the link dies while they are open.

    A valve that is held open without a limit, as one that isolates a transmitter, is none of them: that is its rest.

    Args:
        valves: of the site, by what each is called.
    """
    return [
        called for called, valve in valves.items() if valve.outside_bound_s is None and math.isfinite(valve.max_open_s)
    ]


def shut_by_this_computer_alone(called: list[str]) -> str:
    """A sentence for a person.

    Args:
        called: what `valves_shut_by_this_computer_alone` found; at least one.
    """
    return (
        f"nothing outside this computer is known to shut {', '.join(called)}: should computer, network or link die "
        "while the valve is open, it stays open. Set the I/O block's output time-out, try it, and state it as "
        "`module_timeout`; or use outputs that shut by themselves, as `pulse`"
    )


_BLOW, _ISOLATING, _VENT = " (blow valve)", " (isolating valve)", " (vent valve)"


def blow_valve_name(tank: str) -> str:
    """What the blow valve of a tank is called: no tank can be called so, for its name holds no blank.

    Args:
        tank: its name in the site file.
    """
    return f"{tank}{_BLOW}"


def isolating_valve_name(tank: str) -> str:
    """What the valve that cuts a tank's transmitter off is called.

    Args:
        tank: its name in the site file.
    """
    return f"{tank}{_ISOLATING}"


def vent_valve_name(tank: str) -> str:
    """What the vent valve of a tank's transmitter is called.

    Args:
        tank: its name in the site file.
    """
    return f"{tank}{_VENT}"


def valve_names(tank: str) -> tuple[str, ...]:
    """What valves of a tank can be called.

    Args:
        tank: its name in the site file.
    """
    return tank, blow_valve_name(tank), isolating_valve_name(tank), vent_valve_name(tank)
