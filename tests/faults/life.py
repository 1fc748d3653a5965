"""One fault lived through: the real daemon, cycle, drivers, links and store on a simulated tank, in virtual time."""

from __future__ import annotations

import asyncio
import dataclasses
import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lungfish.app.calendar_jobs import CalendarJobs
from lungfish.app.clock import LoopClock, Stamps
from lungfish.app.daemon import Daemon, Devices
from lungfish.app.house import tell_unfinished
from lungfish.app.journal import Journal
from lungfish.config import Site, load_site_text
from lungfish.core.events import ValveState
from lungfish.drivers.build import build_devices
from lungfish.ports import ReadingRecord
from lungfish.rig.faults import Faults
from lungfish.rig.plant import Plant
from lungfish.rig.server import plant_for
from lungfish.store import Archive, StoredEvent, StoredReading
from tests.faults.clocks import ClockFaults, MuteScheduler, WallClock
from tests.faults.disk import Disk, DiskFaults, WaitedStore
from tests.faults.faultfile import FaultFile, TankForm
from tests.faults.panel import BlockFaults, LinkFaults, Panel
from tests.faults.wire import WiredLoop, run_wired

__all__ = ["Life", "Seen", "live"]

NAME, NEIGHBOUR = "wet-well", "dry-well"
_HOST, _PORT = "192.0.2.10", 502
_HEAD = f"""
site: {{{{name: Invented, timezone: Europe/London, gravity: 9.80665 m/s**2}}}}
store: {{{{path: invented.db}}}}
links: {{{{panel: {{{{kind: modbus-tcp, host: {_HOST}, port: {_PORT}, timeout: 500 ms}}}}}}}}
air: {{{{supply: 3 bar, flow: 1.5 L/min, simultaneous: 1}}}}
tanks:
"""
_TANK = """
  {name}:
    vented: true
    tolerates_air: true
    liquid: {{density: 998.2 kg/m**3}}
    vessel: {{shape: upright-cylinder, diameter: 2.4 m, height: 5 m}}
    tube: {{tip: 100 mm, bore: 10 mm, length: 4.5 m}}
    line: {{bore: 4.3 mm, length: 20 m, tee: {tee}}}
    transmitter: {{link: panel, unit: {unit}, table: input, register: 0, format: float32, reads_in: Pa,
                   span: [0 kPa, {span} kPa]}}
    valve: {{link: panel, unit: {unit}, coil: 0, max_open: 90 s}}
    every: {every} s
    watch: off
"""
_LOOKS_AT = 0.45
"""Share of a slot after which the valve is looked at: the cycle is over, and the fault has not changed yet."""


@dataclass(frozen=True)
class Seen:
    """The valve some time after a cycle."""

    slot: int
    at_s: float
    observed: ValveState
    """What the daemon knows of it."""
    coil: bool
    """Its output."""
    passes: bool
    """Whether air passes it."""


@dataclass
class Life:
    """What came of it."""

    fault: FaultFile
    rows: list[ReadingRecord] = field(default_factory=list)
    """Of the tank, in the order in which cycles ended."""
    kept: list[bool] = field(default_factory=list)
    """Whether each was on disk at once."""
    stored: list[StoredReading] = field(default_factory=list)
    """What is in the store in the end."""
    events: list[StoredEvent] = field(default_factory=list)
    """Likewise."""
    troubles: list[str | None] = field(default_factory=list)
    """What the store said of itself."""
    seen: list[Seen] = field(default_factory=list)
    longest_open_s: float = 0.0
    """Longest time that the tank's output was on."""
    neighbour: list[ReadingRecord] = field(default_factory=list)
    shut_at_end: bool = False
    """The daemon said at its end that every valve is confirmed shut."""
    level_m: Callable[[float], float] = lambda _t_s: 0.0
    """The truth."""
    tip_m: float = 0.1

    def slot(self, record: ReadingRecord | StoredReading) -> int:
        """Number of the cycle that a row belongs to, from 0: cycles are the timer's alone, for the watch is off."""
        return int(record.at.monotonic_s // self.fault.form.tank.every_s)


def site_text(tank: TankForm) -> str:
    """The site file of a fault's tank."""
    text = _HEAD.format()
    for unit, name in enumerate((NAME, NEIGHBOUR) if tank.neighbour else (NAME,), 1):
        text += _TANK.format(name=name, unit=unit, tee=tank.tee, span=tank.span_kpa, every=tank.every_s)
    return text


def live(fault: FaultFile, folder: Path, seed: int = 1) -> Life:
    """Run one fault from before its beginning to after its end.

    Args:
        fault: the fault.
        folder: an empty directory for the store.
        seed: of noise, bubbles and chance.
    """
    return run_wired(_Rig.whole_life(fault, folder, seed))


class _Rig:
    """Made inside a wired loop."""

    def __init__(self, fault: FaultFile, folder: Path, seed: int) -> None:
        self.fault = fault
        form = fault.form
        self.site: Site = load_site_text(site_text(form.tank), folder)
        self.loop = asyncio.get_running_loop()
        self.clock = LoopClock()
        level = _level(fault)
        self.life = Life(fault, level_m=level, tip_m=self.site.tanks[NAME].tip_m)
        self.plants: dict[str, Plant] = {
            name: plant_for(self.site, tank, level if name == NAME else lambda _t_s: 1.5, seed + n)
            for n, (name, tank) in enumerate(self.site.tanks.items())
        }
        self.panel = Panel(self.site, self.plants, seed)
        assert isinstance(self.loop, WiredLoop)
        self.loop.listeners[_HOST, _PORT] = self.panel
        self.wall = WallClock(self.clock.monotonic_s)
        self.disk = Disk(folder / "invented.db")
        self.daemon: Daemon | None = None

    @classmethod
    async def whole_life(cls, fault: FaultFile, folder: Path, seed: int) -> Life:
        rig = cls(fault, folder, seed)
        if fault.form.restarts:
            await rig.run_until(fault.begins_s)
            rig.begin()
            rig.loop.call_at(fault.ends_s, rig.end)
            await rig.run_until(fault.over_s)
        else:
            if fault.form.good_cycles or fault.form.begins_s:
                rig.loop.call_at(fault.begins_s, rig.begin)
            else:
                rig.begin()  # from the first
            rig.loop.call_at(fault.ends_s, rig.end)
            await rig.run_until(fault.over_s)
        rig.panel.close()
        for name in rig.plants:
            rig.panel.note(name)
        rig.life.longest_open_s = rig.panel.longest_open_s[NAME]
        if rig.disk.path.exists():
            rig.gather()
        return rig.life

    def gather(self) -> None:
        """What the store holds in the end."""
        with Archive(self.disk.path) as archive:
            self.life.stored = [row for row in archive.readings() if row.tank == NAME]
            self.life.events = list(archive.events())

    async def run_until(self, at_s: float) -> None:
        """One run of the daemon, from a start to a stop."""
        stamps = Stamps("boot", self.clock, self.wall.utc_s, self.wall.state)
        store = WaitedStore.open(
            self.disk.path, now=stamps.now, on_trouble=self.life.troubles.append, make=self.disk.make
        )
        assert isinstance(store, WaitedStore)
        self.disk.store = store
        journal = Journal(store, stamps, self._told)
        tell_unfinished(store)
        devices = build_devices(self.site, self.clock)
        self.daemon = Daemon(
            self.site, Devices(transmitters=devices.transmitters, valves=devices.valves), self.clock, journal
        )
        jobs = CalendarJobs(store, self.site.timezone, journal, self.clock, MuteScheduler())
        jobs.start()
        background = [asyncio.create_task(jobs.watch_clock()), asyncio.create_task(self._look())]
        stop = asyncio.Event()
        self.loop.call_at(at_s, stop.set)
        try:
            self.life.shut_at_end = await self.daemon.run(stop)
        finally:
            for task in background:
                task.cancel()
            await devices.close()
            await journal.settle(5.0)
            store.close()

    def _told(self, record: ReadingRecord, kept: bool) -> None:
        if record.tank == NAME:
            self.life.rows.append(record)
            self.life.kept.append(kept)
        else:
            self.life.neighbour.append(record)

    async def _look(self) -> None:
        every_s = self.fault.form.tank.every_s
        first = math.ceil(self.clock.monotonic_s() / every_s - _LOOKS_AT)
        for slot in itertools.count(first):
            await self.clock.sleep_until((slot + _LOOKS_AT) * every_s)
            plant, now_s = self.plants[NAME], self.clock.monotonic_s()
            assert self.daemon is not None
            plant.advance(now_s)
            self.panel.note(NAME)
            observed = self.daemon.loops[NAME].valve.observed
            passes = plant.valve_open or plant.faults.valve_passes_share > 0
            self.life.seen.append(Seen(slot, now_s, observed, plant.coil, passes))

    # -- the fault

    def begin(self) -> None:
        """Let it begin."""
        sets, plant = self.fault.form.sets, self.plants[NAME]
        plant.advance(self.clock.monotonic_s())
        for key, value in sets.get("plant", {}).items():
            setattr(plant.faults, key, value)
        self._truth = plant.params
        plant.params = dataclasses.replace(plant.params, **sets.get("truth", {}))
        self.panel.link = LinkFaults(**sets.get("link", {}))
        self.panel.block = BlockFaults(**sets.get("block", {}))
        self.panel.disturb()
        if "clock" in sets:
            self.wall.begin(ClockFaults(**sets["clock"]))
        if "disk" in sets:
            self.disk.begin(DiskFaults(**sets["disk"]))

    def end(self) -> None:
        """Let it go."""
        sets, plant = self.fault.form.sets, self.plants[NAME]
        plant.advance(self.clock.monotonic_s())
        well: Any = Faults()
        for key in sets.get("plant", {}):
            setattr(plant.faults, key, getattr(well, key))
        plant.params = self._truth
        self.panel.link, self.panel.block = LinkFaults(), BlockFaults()
        self.wall.end()
        self.disk.end()


def _level(fault: FaultFile) -> Callable[[float], float]:
    """Level over time: it moves evenly while the fault is there."""
    tank = fault.form.tank

    def level_m(t_s: float) -> float:
        share = (t_s - fault.begins_s) / (fault.ends_s - fault.begins_s)
        return tank.level_m + tank.level_change_m * min(1.0, max(0.0, share))

    return level_m
