"""Outputs of a simulated I/O block: what a write does to a valve, what a read shows, pulses that end by themselves."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from lungfish.config import Site, ValveSpec, blow_valve_name, isolating_valve_name, vent_valve_name
from lungfish.config.model import Output
from lungfish.rig.plant import Plant

__all__ = ["Driven", "OutputPulse", "driven", "last_of_outputs", "move_told", "show_outputs"]

_COILS_IN_REGISTER = 16
_READ_COILS, _READ_HOLDING, _MASK_WRITE = 1, 3, 22
_WRITES_COILS, _WRITES_REGISTERS = (5, 15), (6, 16, _MASK_WRITE)


@dataclass(frozen=True, slots=True)
class Driven:
    """A valve and what its output moves."""

    called: str
    """What it is called."""
    spec: ValveSpec
    """Where it is driven from."""
    command: Callable[[bool], None]
    """Drives its coil."""
    is_open: Callable[[], bool]
    """What its coil says."""


def driven(site: Site, plants: Mapping[str, Plant]) -> list[Driven]:
    """Every valve of a site, and what it moves.

    Args:
        site: the site.
        plants: a plant for each tank.
    """
    found = []
    for name, tank in site.tanks.items():
        plant = plants[name]
        is_open = functools.partial(getattr, plant, "coil")
        found.append(Driven(name, tank.valve, plant.command, is_open))
        if tank.blow_valve is not None:
            found.append(Driven(blow_valve_name(name), tank.blow_valve, plant.command, is_open))
        if tank.isolate is not None:
            connected = functools.partial(getattr, plant, "isolator_coil")
            called = isolating_valve_name(name)
            plant.command_isolator(False)  # without power
            found.append(Driven(called, tank.isolate.valve, plant.command_isolator, connected))
        if tank.vent_valve is not None:
            vented = functools.partial(getattr, plant, "vent_coil")
            found.append(Driven(vent_valve_name(name), tank.vent_valve, plant.command_vent, vented))
    return found


class OutputPulse:
    """Outputs that a block opens for a time and shuts by itself. A new length counts from its own moment.

    That is how such blocks do it as a rule (common practice): a length that is written twice makes a longer opening.
    """

    def __init__(self) -> None:
        self._ends_s: dict[ValveSpec, float] = {}

    def wrote(self, spec: ValveSpec, count: int, now_s: float) -> bool:
        """The length of an opening was written.

        Args:
            spec: a valve with a pulse.
            count: what was written; 0 shuts.
            now_s: monotonic time, s.

        Returns:
            Whether the output is open now.
        """
        pulse = spec.pulse
        if pulse is None or not 0 < count <= pulse.most:
            self._ends_s.pop(spec, None)
            return False
        self._ends_s[spec] = now_s + count * pulse.unit_s
        return True

    def shut(self, spec: ValveSpec) -> None:
        """The output was shut before its time."""
        self._ends_s.pop(spec, None)

    def over(self, spec: ValveSpec, now_s: float) -> bool:
        """Whether an opening has had its time; told once.

        Args:
            spec: one of the valves.
            now_s: monotonic time, s.
        """
        ended = now_s >= self._ends_s.get(spec, now_s + 1.0)
        if ended:
            del self._ends_s[spec]
        return ended


def move_told(
    spec: ValveSpec, function: int, address: int, values: Sequence[int | bool], pulse: OutputPulse, now_s: float
) -> bool | None:
    """What a write tells a valve: to open, to shut, or nothing.

    Args:
        spec: the valve.
        function: of the write.
        address: 0-based, of its first value.
        values: what is written; of a mask write, what the register becomes.
        pulse: of the block.
        now_s: monotonic time, s.
    """
    kinds = (Output.COIL,) if function in _WRITES_COILS else (Output.REGISTER, Output.BIT)
    if function in _WRITES_REGISTERS and spec.pulse is not None:
        place = spec.pulse.register - address
        if 0 <= place < len(values):
            return pulse.wrote(spec, int(values[place]), now_s)
    place = spec.address - address
    if spec.output not in kinds or not 0 <= place < len(values):
        return None
    value = int(values[place]) if spec.bit is None else int(values[place]) >> spec.bit & 1
    to_open = value == spec.open_value
    if not to_open:
        pulse.shut(spec)
    return to_open


def show_outputs(valves: Sequence[Driven], function: int, registers: list[int]) -> None:
    """Put what the outputs are now where a read of them looks: a block may have taken one back by itself.

    Args:
        valves: of the unit.
        function: of the read, or of a mask write, which reads first.
        registers: the table that is about to be read, from address 0; 16 bits in each for a table of bits.
    """
    for valve in valves:
        spec = valve.spec
        value = spec.open_value if valve.is_open() else spec.shut_value
        bit = None
        place = spec.address
        if spec.output is Output.COIL and function == _READ_COILS:
            place, bit = divmod(spec.address, _COILS_IN_REGISTER)
        elif spec.output is Output.BIT and function in (_READ_HOLDING, _MASK_WRITE):
            bit = spec.bit
        elif spec.output is not Output.REGISTER or function != _READ_HOLDING:
            continue
        registers[place] = value if bit is None else registers[place] & ~(1 << bit) | value << bit


def last_of_outputs(valves: Sequence[Driven]) -> tuple[list[int], list[int]]:
    """Addresses behind the last coil, and behind the last holding register, of each valve."""
    specs = [valve.spec for valve in valves]
    coils = [spec.address + 1 for spec in specs if spec.output is Output.COIL]
    registers = [spec.address + 1 for spec in specs if spec.output is not Output.COIL]
    return coils, registers + [spec.pulse.register + 1 for spec in specs if spec.pulse is not None]
