"""A real Modbus TCP server in front of simulated plants, in real time: what the daemon sees of a site.

As a program: `python -m lungfish.rig.server SITE.yaml --level TANK=METRES --watch`.
"""

from __future__ import annotations

import argparse
import asyncio
import functools
import random
import signal
import sys
import time
from collections.abc import Awaitable, Callable, Coroutine, Iterable, Mapping, Sequence
from dataclasses import dataclass

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from lungfish.config import (
    Site,
    Tank,
    cycle_setup,
    load_site,
)
from lungfish.config.link_model import ModbusTcpLinkSpec
from lungfish.config.model import Bit, RegisterTable
from lungfish.errors import ConfigError
from lungfish.physics.bubble import ripple_bound_pa
from lungfish.rig.inputs import RigInputs
from lungfish.rig.output_timeout import OutputTimeout
from lungfish.rig.outputs import Driven, OutputPulse, driven, last_of_outputs, move_told, show_outputs
from lungfish.rig.plant import Plant, PlantParameters
from lungfish.rig.registers import registers_of_pressure

__all__ = ["RigServer", "ServerFaults", "main", "plant_for"]

_TICK_S = 0.02
_COILS_IN_REGISTER = 16
_READS = {3: RegisterTable.HOLDING, 4: RegisterTable.INPUT}
_WRITES = (5, 15, 6, 16, 22)


@dataclass(slots=True, kw_only=True)
class ServerFaults:
    """What is wrong with the server; to be changed while it runs."""

    delay_s: float = 0.0
    """Every answer is late by this, s."""
    silent: bool = False
    """Requests are carried out, but no answer is sent."""
    ignores_timeout: bool = False
    """The output time-out that the site file states was never set in it."""
    lost_share: float = 0.0
    """Share of answers that are not sent, 0 to 1."""


def plant_for(site: Site, tank: Tank, level_m: Callable[[float], float], seed: int) -> Plant:
    """A plant that is just as the site file says, with half of the ripple that its bore allows.

    Args:
        site: the site.
        tank: one of its tanks.
        level_m: true level above the floor, m, as a function of time since the start, s.
        seed: of its noise and bubbles.
    """
    setup = cycle_setup(site, tank)
    parameters = PlantParameters(
        level_m=level_m,
        density_kg_m3=setup.density_kg_m3,
        gravity_m_s2=setup.gravity_m_s2,
        atmosphere_abs_pa=setup.atmosphere_abs_pa,
        air_k=setup.air_k,
        tip_m=setup.tip_m,
        tube_bore_m=setup.tube_bore_m,
        tube_length_m=setup.tube_length_m,
        line_bore_m=setup.line_bore_m,
        line_length_m=setup.line_length_m,
        tee_at_valve=setup.tee_at_valve,
        transmitter_height_m=setup.transmitter_height_m,
        supply_gauge_pa=setup.supply_gauge_pa,
        flow_pa_m3_s=setup.flow_pa_m3_s,
        critical_ratio=setup.critical_ratio,
        ripple_pa=0.5 * ripple_bound_pa(setup.tube_bore_m, setup.density_kg_m3, setup.gravity_m_s2),
        span_low_pa=setup.span_low_pa - 0.0125 * (setup.span_high_pa - setup.span_low_pa),
        span_high_pa=setup.span_high_pa,
    )
    return Plant(parameters, seed)


class RigServer:
    """Serves every link of a site on its own host and port, with a plant behind each tank.

    Args:
        site: the site.
        plants: a plant for each tank.
        on_coil: told of each change of a valve's coil: what the valve is called, whether it is open, monotonic time.
        faults: of every link.
        seed: of the lost answers.
    """

    def __init__(
        self,
        site: Site,
        plants: Mapping[str, Plant],
        *,
        on_coil: Callable[[str, bool, float], None] | None = None,
        faults: ServerFaults | None = None,
        seed: int = 0,
    ) -> None:
        self.site = site
        self.plants = plants
        self.faults = faults or ServerFaults()
        self._on_coil = on_coil
        self._inputs = RigInputs(site, plants)
        self._valves = driven(site, plants)
        self._pulse = OutputPulse()
        self._random = random.Random(seed)  # noqa: S311 - a simulation, not a secret
        self._servers: list[ModbusTcpServer] = []
        self._ticking: asyncio.Task[None] | None = None
        self._began_s = time.monotonic()
        self._timeout = OutputTimeout([valve.spec for valve in self._valves], self._began_s)

    def advance(self) -> None:
        """Bring every plant up to now."""
        for plant in self.plants.values():
            plant.advance(time.monotonic() - self._began_s)

    async def start(self) -> None:
        """Listen on every link's host and port.

        Raises:
            RuntimeError: an address can't be had, or a link is no Modbus TCP link.
        """
        links: dict[tuple[str, int], set[str]] = {}
        for link in self.site.links.values():
            if not isinstance(link, ModbusTcpLinkSpec):
                raise RuntimeError(f"link {link.name}: what is simulated here is reached by Modbus TCP only")
            links.setdefault((link.host, link.port), set()).add(link.name)
        for address, names in links.items():
            server = ModbusTcpServer(self._devices(names), address=address, trace_packet=self._trace)
            await server.serve_forever(background=True)
            self._servers.append(server)
        self._ticking = asyncio.create_task(self._tick(), name="rig")

    async def stop(self) -> None:
        """Close every server."""
        if self._ticking is not None:
            self._ticking.cancel()
        for server in self._servers:
            await server.shutdown()  # type: ignore[no-untyped-call]  # the library leaves it untyped
        self._servers.clear()

    async def _tick(self) -> None:
        while True:
            await asyncio.sleep(_TICK_S)
            self.advance()
            for valve in self._valves:
                now_s = time.monotonic()
                timed_out = not self.faults.ignores_timeout and self._timeout.over(valve.spec, now_s)
                if timed_out or self._pulse.over(valve.spec, now_s):
                    self._move(valve, to_open=False)

    def _trace(self, sending: bool, data: bytes) -> bytes:
        lost = self.faults.silent or (self.faults.lost_share > 0 and self._random.random() < self.faults.lost_share)
        return b"" if sending and lost else data

    def _devices(self, links: set[str]) -> list[SimDevice]:
        tanks = self.site.tanks.values()
        units = {tank.transmitter.unit for tank in tanks if tank.transmitter.link in links}
        units |= {valve.spec.unit for valve in self._valves if valve.spec.link in links}
        units |= {unit for unit, _, _ in self._inputs.ends(links)}
        return [self._device(unit, links) for unit in sorted(units)]

    def _device(self, unit: int, links: set[str]) -> SimDevice:
        tanks = self.site.tanks.values()
        senders = [t for t in tanks if t.transmitter.unit == unit and t.transmitter.link in links]
        valves = [valve for valve in self._valves if valve.spec.unit == unit and valve.spec.link in links]
        ends: dict[RegisterTable | Bit, list[int]] = {table: [0] for table in (*RegisterTable, *Bit)}
        for at, table, end in self._inputs.ends(links):
            if at == unit:
                ends[table].append(end)
        coils, holding = last_of_outputs(valves)
        ends[Bit.COIL] += coils
        for tank in senders:
            spec = tank.transmitter
            ends[spec.table].append(spec.register + spec.format.registers)
        ends[RegisterTable.HOLDING] += holding
        bits = {bit: [False] * (_COILS_IN_REGISTER * (_size(ends[bit]) // _COILS_IN_REGISTER + 1)) for bit in Bit}
        return SimDevice(
            unit,
            simdata=(
                [SimData(0, values=bits[Bit.COIL], datatype=DataType.BITS)],
                [SimData(0, values=bits[Bit.INPUT], datatype=DataType.BITS)],
                [SimData(0, count=_size(ends[RegisterTable.HOLDING]), values=0, datatype=DataType.REGISTERS)],
                [SimData(0, count=_size(ends[RegisterTable.INPUT]), values=0, datatype=DataType.REGISTERS)],
            ),
            action=_as_action(functools.partial(self._answer, links, unit, senders, valves)),
        )

    async def _answer(
        self,
        links: set[str],
        unit: int,
        senders: Sequence[Tank],
        valves: Sequence[Driven],
        function: int,
        address: int,
        registers: list[int],
        values: Sequence[int | bool] | None,
    ) -> None:
        for link in links:
            self._timeout.heard(link, unit, time.monotonic())
        await self._request(senders, valves, function, address, registers, values)
        if values is None:
            self._inputs.show(links, unit, function, registers)
            show_outputs(valves, function, registers)

    async def _request(
        self,
        senders: Sequence[Tank],
        valves: Sequence[Driven],
        function: int,
        address: int,
        registers: list[int],
        values: Sequence[int | bool] | None,
    ) -> None:
        if self.faults.delay_s > 0:
            await asyncio.sleep(self.faults.delay_s)
        self.advance()
        if values is not None and function in _WRITES:
            self._write(valves, function, address, values)
        elif function in _READS:
            for tank in senders:
                spec = tank.transmitter
                if spec.table is _READS[function]:
                    words = registers_of_pressure(self.plants[tank.name].gauge_pa(), spec)
                    registers[spec.register : spec.register + len(words)] = words

    def _write(self, valves: Sequence[Driven], function: int, address: int, values: Sequence[int | bool]) -> None:
        for valve in valves:
            to_open = move_told(valve.spec, function, address, values, self._pulse, time.monotonic())
            if to_open is not None:
                self._move(valve, to_open=to_open)

    def _move(self, valve: Driven, *, to_open: bool) -> None:
        if valve.is_open() is not to_open:
            valve.command(to_open)
            if self._on_coil is not None:
                self._on_coil(valve.called, to_open, time.monotonic())


def _size(ends: Iterable[int]) -> int:
    return max((*ends, 1))


def _as_action(
    handle: Callable[[int, int, list[int], Sequence[int | bool] | None], Awaitable[None]],
) -> Callable[[int, int, int, int, list[int], list[int] | list[bool] | None], Coroutine[None, None, ExcCodes | None]]:
    """The library wants a plain coroutine function of six arguments."""

    async def action(
        function: int,
        _start: int,
        address: int,
        _count: int,
        registers: list[int],
        values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        await handle(function, address, registers, values)
        return None

    return action


def _levels(site: Site, wanted: Sequence[str]) -> dict[str, float]:
    """Levels by tank, m: those asked for, else 40 % of the vessel."""
    levels = {name: 0.4 * tank.vessel_height_m for name, tank in site.tanks.items()}
    for text in wanted:
        name, _, metres = text.partition("=")
        levels[name] = float(metres)
    return levels


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


async def _serve(site: Site, levels: Mapping[str, float], arguments: argparse.Namespace) -> None:
    seed: int = arguments.seed

    def on_coil(tank: str, is_open: bool, at_s: float) -> None:
        if arguments.watch:
            _say(f"coil {tank} {'open' if is_open else 'shut'} {at_s:.6f}")

    plants = {
        name: plant_for(site, tank, _steady(levels[name]), seed + number)
        for number, (name, tank) in enumerate(site.tanks.items())
    }
    faults = ServerFaults(ignores_timeout=arguments.no_timeouts)
    server = RigServer(site, plants, on_coil=on_coil, faults=faults, seed=seed)
    await server.start()
    _say("ready")
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    await stop.wait()
    await server.stop()


def _steady(level_m: float) -> Callable[[float], float]:
    return lambda _t_s: level_m


def main(argv: Sequence[str] | None = None) -> int:
    """Serve a site's simulated plants until told to stop.

    Args:
        argv: arguments without the program's name; None takes them from the process.

    Returns:
        The exit status.
    """
    parser = argparse.ArgumentParser(
        prog="python -m lungfish.rig.server", description="Simulated tanks of a site behind a real Modbus TCP server."
    )
    parser.add_argument("site", metavar="SITE.yaml")
    parser.add_argument("--level", action="append", default=[], metavar="TANK=METRES", help="true level of a tank")
    parser.add_argument("--seed", type=int, default=0, help="of noise and bubbles")
    parser.add_argument("--watch", action="store_true", help="print each change of a valve's coil")
    parser.add_argument("--no-timeouts", action="store_true", help="no output shuts by itself")
    arguments = parser.parse_args(argv)
    try:
        site = load_site(arguments.site)
    except ConfigError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    asyncio.run(_serve(site, _levels(site, arguments.level), arguments))
    return 0


if __name__ == "__main__":
    sys.exit(main())
