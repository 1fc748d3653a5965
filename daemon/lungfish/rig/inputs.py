"""Switches of simulated plants as a Modbus device shows them: bits and registers of one unit."""

from __future__ import annotations

import functools
from collections.abc import Callable, Collection, Iterator, Mapping

from lungfish.config import Bit, PressureLimitSpec, RegisterTable, Site, SwitchSpec, Tank
from lungfish.config.valve_model import LimitSwitchSpec
from lungfish.rig.plant import Plant
from lungfish.rig.registers import registers_of_pressure

__all__ = ["RigInputs"]

_BITS_IN_REGISTER = 16
_FUNCTIONS = {1: Bit.COIL, 2: Bit.INPUT, 3: RegisterTable.HOLDING, 4: RegisterTable.INPUT}


class RigInputs:
    """The optional inputs of a site. A supply that tanks share is there when it is there for all of them.

    Args:
        site: the site.
        plants: a plant for each tank.
    """

    def __init__(self, site: Site, plants: Mapping[str, Plant]) -> None:
        self._switches: dict[SwitchSpec, list[Callable[[], bool]]] = {}
        self._pressures: dict[PressureLimitSpec, list[Callable[[], float]]] = {}
        for name, tank in site.tanks.items():
            supply, flow, plant = tank.inputs.supply, tank.inputs.flow, plants[name]
            if isinstance(supply, PressureLimitSpec):
                self._pressures.setdefault(supply, []).append(plant.supply_gauge_pa)
            elif supply is not None:
                self._switches.setdefault(supply, []).append(plant.supply_switch)
            for spec, is_open in _limited(tank, plant):
                says = is_open if not spec.says_shut else functools.partial(_not, is_open)
                self._switches.setdefault(spec.switch, []).append(says)
            if tank.isolate is not None:
                self._switches.setdefault(tank.isolate.shut, []).append(functools.partial(getattr, plant, "isolated"))
                self._switches.setdefault(tank.isolate.safe, []).append(plant.bears_tube)
            if flow is not None:
                self._switches.setdefault(flow, []).append(plant.flow_switch)

    def ends(self, links: Collection[str]) -> Iterator[tuple[int, Bit | RegisterTable, int]]:
        """Unit, table, and address behind the last one, of each input on these links."""
        for switch in self._switches:
            if switch.link in links:
                yield switch.unit, switch.bit, switch.address + 1
        for pressure in self._pressures:
            if pressure.link in links:
                yield pressure.unit, pressure.table, pressure.register + pressure.format.registers

    def show(self, links: Collection[str], unit: int, function: int, registers: list[int]) -> None:
        """Put what the inputs say now where a read of them looks.

        Args:
            links: of the device.
            unit: its Modbus unit id.
            function: the read's function.
            registers: the table that is about to be read, from address 0; 16 bits in each for a table of bits.
        """
        table = _FUNCTIONS.get(function)
        for switch, says in self._switches.items():
            if switch.link in links and (switch.unit, switch.bit) == (unit, table):
                value = switch.active_value if all(say() for say in says) else 1 - switch.active_value
                place, bit = divmod(switch.address, _BITS_IN_REGISTER)
                registers[place] = registers[place] & ~(1 << bit) | value << bit
        for pressure, gauges in self._pressures.items():
            if pressure.link in links and (pressure.unit, pressure.table) == (unit, table):
                words = registers_of_pressure(min(gauge_pa() for gauge_pa in gauges), pressure)
                registers[pressure.register : pressure.register + len(words)] = words


def _limited(tank: Tank, plant: Plant) -> Iterator[tuple[LimitSwitchSpec, Callable[[], bool]]]:
    """Limit switches of a tank's valves, each with what says that the valve itself is open."""
    for valve, attribute in ((tank.valve, "valve_open"), (tank.blow_valve, "valve_open"), (tank.vent_valve, "vented")):
        if valve is not None and valve.limit_switch is not None:
            yield valve.limit_switch, functools.partial(getattr, plant, attribute)


def _not(says: Callable[[], bool]) -> bool:
    return not says()
