"""A whole site in virtual time: the real daemon and the real cycle on simulated plants, without a wire between."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path

from lungfish.app.clock import LoopClock, Stamps
from lungfish.app.daemon import Daemon, Devices
from lungfish.app.journal import Journal
from lungfish.app.notify import ServiceManager
from lungfish.app.tank_loop import CycleMaker
from lungfish.config import Site, Tank, blow_valve_name, isolating_valve_name, load_site_text, vent_valve_name
from lungfish.core.air_budget import KeptOpening
from lungfish.core.baseline import Baseline
from lungfish.core.cycle import Cycle
from lungfish.core.events import Input, ValveState
from lungfish.core.setup import Learned
from lungfish.ports import (
    BaselineRequest,
    ClockState,
    EventRecord,
    Isolating,
    PressureSample,
    ReadingRecord,
    Stamp,
    Switch,
    Valve,
    ValveEcho,
    ZeroRecord,
)
from lungfish.rig.plant import Plant
from lungfish.rig.ports import RigCoil, RigLink, RigSwitch, RigTransmitter, RigValve
from lungfish.rig.server import plant_for

HEAD = """
site: {{name: Invented, timezone: Europe/London, gravity: 9.81 m/s**2}}
store: {{path: invented.db}}
links: {{panel: {{kind: modbus-tcp, host: 127.0.0.1, port: 5020, timeout: 500 ms}}}}
air: {{supply: 3 bar, flow: 2 L/min, simultaneous: {simultaneous}}}
tanks:
"""
TANK = """
  {name}:
    vented: true
    tolerates_air: true
    liquid: {{density: 998.2 kg/m**3}}
    vessel: {{shape: upright-cylinder, diameter: 2.4 m, height: 3 m}}
    tube: {{tip: 100 mm, bore: 8 mm, length: 3 m}}
    line: {{bore: 4 mm, length: 10 m, tee: valve-end}}
    transmitter: {{link: panel, unit: {unit}, table: input, register: 0, format: float32, reads_in: Pa,
                   span: [0 kPa, 40 kPa]}}
    valve: {{link: panel, unit: {unit}, coil: 0, max_open: {max_open}}}
    every: {every}
"""


def site_of(
    tanks: int,
    *,
    every: str = "10 min",
    simultaneous: int = 1,
    max_open: str = "60 s",
    inputs: str = "",
    watched: bool = True,
) -> Site:
    """A site with so many tanks, named `t0`, `t1` and so on; with its inputs as the file has them."""
    text = HEAD.format(simultaneous=simultaneous)
    for number in range(tanks):
        text += TANK.format(name=f"t{number}", unit=number + 1, every=every, max_open=max_open)
        text += f"    inputs: {inputs}\n" if inputs else ""
        text += "" if watched else "    watch: off\n"
    return load_site_text(text, Path())


class MemoryKeeper:
    """Keeps everything in memory; a stuck one never says that anything is on disk."""

    def __init__(self) -> None:
        self.readings: list[ReadingRecord] = []
        self.events: list[EventRecord] = []
        self.announced: list[tuple[str, float]] = []
        self.kept_learned: dict[str, tuple[Learned, str | None]] = {}
        self.kept_baselines: dict[str, tuple[Baseline, str | None]] = {}
        self.requests: list[BaselineRequest] = []
        self.tries: list[tuple[str, Stamp]] = []
        self.kept_zeros: list[ZeroRecord] = []
        self.stuck = False

    def put_reading(self, record: ReadingRecord) -> None:
        self.readings.append(record)

    def put_event(self, record: EventRecord) -> None:
        self.events.append(record)

    def announce(self, tank: str, at: Stamp) -> Future[bool]:
        self.announced.append((tank, at.monotonic_s))
        return self.flush()

    def flush(self) -> Future[bool]:
        future: Future[bool] = Future()
        if not self.stuck:
            future.set_result(True)
        return future

    def put_learned(self, tank: str, learned: Learned, config: str | None = None) -> None:
        self.kept_learned[tank] = (learned, config)

    def learned(self, tank: str, config: str | None = None) -> Learned | None:
        learned, kept_config = self.kept_learned.get(tank, (None, None))
        return learned if kept_config == config else None

    def put_baseline(self, tank: str, baseline: Baseline, config: str | None, answered: tuple[int, ...] = ()) -> None:
        self.kept_baselines[tank] = (baseline, config)
        self.requests = [request for request in self.requests if request.number not in answered]

    def baseline(self, tank: str) -> tuple[Baseline, str | None] | None:
        return self.kept_baselines.get(tank)

    def baseline_requests(self, tank: str) -> Future[tuple[BaselineRequest, ...]]:
        future: Future[tuple[BaselineRequest, ...]] = Future()
        if not self.stuck:
            future.set_result(tuple(request for request in self.requests if request.tank == tank))
        return future

    def put_clearing_try(self, tank: str, at: Stamp) -> Future[bool]:
        self.tries.append((tank, at))
        return self.flush()

    def clearing_tries(self, tank: str) -> tuple[Stamp, ...] | None:
        return tuple(at for name, at in self.tries if name == tank)

    def recent_openings(self, now: Stamp, within_s: float) -> list[tuple[KeptOpening, float]] | None:
        return []

    def put_zero(self, record: ZeroRecord) -> None:
        self.kept_zeros.append(record)

    def zeros(self, tank: str) -> tuple[ZeroRecord, ...] | None:
        return tuple(record for record in reversed(self.kept_zeros) if record.tank == tank)

    def of(self, tank: str) -> list[ReadingRecord]:
        return [record for record in self.readings if record.tank == tank]

    def told(self, kind: str) -> list[str]:
        return [event.text for event in self.events if event.kind == kind]


@dataclass
class CoilMove:
    at_s: float
    tank: str
    is_open: bool


@dataclass
class Watched:
    """A rig valve whose every real move is noted."""

    tank: str
    plant: Plant
    valve: RigValve
    clock: LoopClock
    moves: list[CoilMove]

    async def command(self, state: ValveState) -> ValveEcho:
        was = self.valve.coil_on()
        try:
            return await self.valve.command(state)
        finally:
            if self.valve.coil_on() is not was:
                self.moves.append(CoilMove(self.clock.monotonic_s(), self.tank, self.valve.coil_on()))

    async def observe(self) -> ValveEcho:
        return await self.valve.observe()


@dataclass
class Counted:
    """A rig transmitter whose requests are noted."""

    transmitter: RigTransmitter
    clock: LoopClock
    asked_s: list[float] = field(default_factory=list)

    async def read(self) -> PressureSample:
        self.asked_s.append(self.clock.monotonic_s())
        return await self.transmitter.read()


class VirtualSite:
    """Make it inside a virtual loop."""

    def __init__(
        self,
        site: Site,
        *,
        keeper: MemoryKeeper | None = None,
        level_m: Callable[[float], float] = lambda _t_s: 1.5,
        make_cycle: CycleMaker = Cycle,
        manager: ServiceManager | None = None,
        boot: str = "boot",
        utc_offset_s: float = 1.7e9,
        hold_off: Mapping[str, Mapping[str, Switch]] | None = None,
        make_valve: Callable[[str, Plant, LoopClock], Valve] | None = None,
    ) -> None:
        self.site = site
        self.clock = LoopClock()
        self.utc_offset_s = utc_offset_s
        self.keeper = keeper or MemoryKeeper()
        stamps = Stamps(boot, self.clock, self._utc_s, lambda: ClockState.SYNCHRONISED)
        self.journal = Journal(self.keeper, stamps)
        self.plants = {name: plant_for(site, tank, level_m, n) for n, (name, tank) in enumerate(site.tanks.items())}
        self.links = {name: RigLink() for name in site.tanks}
        self.moves: list[CoilMove] = []
        self.isolating_moves: list[CoilMove] = []
        self.transmitters = {
            name: Counted(RigTransmitter(plant, self.clock, self.links[name]), self.clock)
            for name, plant in self.plants.items()
        }
        valves: dict[str, Valve] = {
            name: make_valve(name, plant, self.clock)
            if make_valve is not None
            else Watched(name, plant, RigValve(plant, self.clock, self.links[name]), self.clock, self.moves)
            for name, plant in self.plants.items()
        }
        self.switch_links = {which: RigLink() for which in Input}
        blow_valves = {
            name: Watched(
                blow_valve_name(name), plant, RigValve(plant, self.clock, self.links[name]), self.clock, self.moves
            )
            for name, plant in self.plants.items()
            if site.tanks[name].blow_valve is not None
        }
        self.vent_links = {name: RigLink() for name in site.tanks}
        vent_valves = {
            name: Watched(
                vent_valve_name(name),
                plant,
                RigValve(plant, self.clock, self.vent_links[name], RigCoil.VENT),
                self.clock,
                self.moves,
            )
            for name, plant in self.plants.items()
            if site.tanks[name].vent_valve is not None
        }
        self.isolating_links = {name: RigLink() for name in site.tanks}
        self.safe_links = {name: RigLink() for name in site.tanks}
        isolating = {name: self._isolating(name) for name in site.tanks if site.tanks[name].isolate}
        self.daemon = Daemon(
            site,
            Devices(
                transmitters=self.transmitters,
                valves=valves,
                blow_valves=blow_valves,
                vent_valves=vent_valves,
                isolating=isolating,
                switches={name: self._switches(tank) for name, tank in site.tanks.items()},
                hold_off=hold_off or {},
            ),
            self.clock,
            self.journal,
            make_cycle=make_cycle,
            manager=manager,
        )
        self.stop = asyncio.Event()

    def _isolating(self, name: str) -> Isolating:
        plant, link = self.plants[name], self.isolating_links[name]
        plant.command_isolator(False)  # without power
        valve = RigValve(plant, self.clock, link, RigCoil.ISOLATOR)
        return Isolating(
            valve=Watched(isolating_valve_name(name), plant, valve, self.clock, self.isolating_moves),
            shut=RigSwitch(plant, lambda: plant.isolated, self.clock, link),
            safe=RigSwitch(plant, plant.bears_tube, self.clock, self.safe_links[name]),
        )

    def _switches(self, tank: Tank) -> dict[Input, Switch]:
        plant = self.plants[tank.name]
        says = {
            Input.SUPPLY: plant.supply_switch if tank.inputs.supply else None,
            Input.FLOW: plant.flow_switch if tank.inputs.flow else None,
        }
        return {
            which: RigSwitch(plant, say, self.clock, self.switch_links[which])
            for which, say in says.items()
            if say is not None
        }

    def _utc_s(self) -> float:
        return self.utc_offset_s + self.clock.monotonic_s()

    async def run_for(self, duration_s: float) -> bool:
        """Run the daemon, stop it after so long; whether every valve was confirmed shut."""
        asyncio.get_running_loop().call_later(duration_s, self.stop.set)
        return await self.daemon.run(self.stop)

    def opened_s(self, tank: str | None = None) -> list[float]:
        return [move.at_s for move in self.moves if move.is_open and tank in (None, move.tank)]

    def most_open(self) -> int:
        """Most coils that were open at once."""
        now_open, most = 0, 0
        for move in self.moves:
            now_open += 1 if move.is_open else -1
            most = max(most, now_open)
        return most

    def longest_open_s(self) -> float:
        since: dict[str, float] = {}
        longest_s = 0.0
        for move in self.moves:
            if move.is_open:
                since[move.tank] = move.at_s
            elif move.tank in since:
                longest_s = max(longest_s, move.at_s - since.pop(move.tank))
        return max([longest_s, *(self.clock.monotonic_s() - at_s for at_s in since.values())])

    def any_open(self) -> Sequence[str]:
        return [name for name, plant in self.plants.items() if plant.coil or plant.vent_coil]
