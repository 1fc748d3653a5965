"""A rehearsal: the real daemon on simulated plants in virtual time, and what two other ways would have done beside it.

Nothing of the daemon is replaced but its devices, its clock and its store; no cycle is left out.
"""

from __future__ import annotations

import asyncio
import functools
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

from lungfish.app.clock import Stamps
from lungfish.app.daemon import Daemon, Devices
from lungfish.app.journal import Journal
from lungfish.app.memory_keeper import MemoryKeeper
from lungfish.app.rehearsal_notes import AlarmSeen, ErrorMeter, Shown
from lungfish.config import Site, Tank
from lungfish.core.events import Input
from lungfish.core.watch import Decision, Estimate
from lungfish.physics.standard import ANR, standard_volume_m3
from lungfish.ports import Clock, ClockState, EventRecord, Isolating, ReadingRecord, Switch
from lungfish.rig.bus import Bus, BusSwitch, BusTransmitter, BusValve
from lungfish.rig.filling import LevelTrack
from lungfish.rig.jumping_loop import JumpingClock, run_jumping
from lungfish.rig.plant import Plant
from lungfish.rig.ports import RigCoil
from lungfish.rig.server import plant_for
from lungfish.study.ledger import TimerPurge, continuous_m3_s, fixed_timer

__all__ = ["BEGIN", "Plot", "Rehearsal", "TankResult", "Way", "begin_utc_s", "rehearse"]

BEGIN = datetime(2026, 1, 5)  # noqa: DTZ001 - the site's zone is put to it: a Monday, far from any daylight change
_LITRES = 1000.0
_SHARE = 0.95
"""Of the time, for the error that is not exceeded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """What is to be rehearsed."""

    site: Site
    """The site."""
    duration_s: float
    """How long, virtual s; above 0."""
    tracks: Mapping[str, LevelTrack]
    """True level of each tank."""
    alarms_m: Mapping[str, float]
    """Level of each tank whose passing is to be seen, m."""
    seed: int = 1
    """Of noise and bubbles."""
    transaction_s: float = 0.005
    """From request to answer on a link, s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way of reading a tank, and what came of it."""

    name: str
    """`lungfish`, `fixed timer` or `continuous`."""
    air_sl: float
    """Air that it took, standard litres (20 degC, 1 bar)."""
    openings: int
    """How often the valve was opened."""
    worst_m: float | None
    """Largest error of the level that was shown, m; None: none was ever shown."""
    p95_m: float | None
    """What 95 % of the time it did not exceed, m."""
    delays_s: tuple[float, ...]
    """For each passing of the alarm's level that was seen: how long after, s."""
    missed: int
    """Passings that were not seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TankResult:
    """One tank's rehearsal."""

    name: str
    """Name in the site file."""
    readings: int
    """How many."""
    good: int
    """How many of them were good."""
    diagnoses: Mapping[str, int]
    """How often each diagnosis came."""
    ways: tuple[Way, ...]
    """Continuous bubbling, the fixed timer, lungfish."""
    plant_air_sl: float
    """Air that the simulated plant took in, standard litres."""
    timer_open_s: float
    """How long the fixed timer opens, s."""
    worst_reading_m: float | None
    """Largest error of a reading at its own moment, m; None: no reading had a level."""
    unknown_s: float
    """How long lungfish showed no level, s."""
    valve_open: bool
    """The valve's coil was on at the end."""
    purges: tuple[float, ...]
    """When the readings were made, s."""
    alarm_m: float
    """The alarm's level, m."""
    estimate_delays_s: tuple[float, ...]
    """For each passing of it that a reading or the watch's estimate showed: how long after, s."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rehearsal:
    """What came of it."""

    duration_s: float
    """How long it was, virtual s."""
    tanks: Mapping[str, TankResult]
    """By name."""
    transactions_s: Mapping[str, float]
    """Transactions a second on each link, as counted."""
    bus_share: Mapping[str, float]
    """Share of the time that each link was taken, 1."""
    longest_wait_s: Mapping[str, float]
    """Longest wait for a turn on each link, s."""
    events: tuple[EventRecord, ...]
    """What the daemon told."""
    all_shut: bool
    """The daemon ended with every valve confirmed shut."""


def begin_utc_s(site: Site) -> float:
    """When a rehearsal begins, s since 1970-01-01 UTC: at midnight of the site.

    Args:
        site: the site.
    """
    return BEGIN.replace(tzinfo=ZoneInfo(site.timezone)).timestamp()


def rehearse(plot: Plot, on_progress: Callable[[float], None] = lambda _at_s: None) -> Rehearsal:
    """Run the daemon through it.

    Args:
        plot: what is to be rehearsed.
        on_progress: given the virtual time, s, at each reading.
    """
    return run_jumping(_rehearse(plot, on_progress))


async def _rehearse(plot: Plot, on_progress: Callable[[float], None]) -> Rehearsal:
    clock = JumpingClock()
    begin_s = begin_utc_s(plot.site)
    notes = {name: _Notes(plot, name) for name in plot.site.tanks}

    def heard(record: ReadingRecord) -> None:
        notes[record.tank].reading(record, clock.monotonic_s())
        on_progress(clock.monotonic_s())

    keeper = MemoryKeeper(heard)
    stamps = Stamps("rehearsal", clock, lambda: begin_s + clock.monotonic_s(), lambda: ClockState.SYNCHRONISED)
    rig = _Rig(plot, clock)
    daemon = Daemon(plot.site, rig.devices(), clock, Journal(keeper, stamps))
    for name, loop in daemon.loops.items():
        loop.watching.on_estimate = functools.partial(notes[name].estimated, clock)
    stop = asyncio.Event()
    asyncio.get_running_loop().call_later(plot.duration_s, stop.set)
    all_shut = await daemon.run(stop)
    ended_s = clock.monotonic_s()
    return Rehearsal(
        duration_s=plot.duration_s,
        tanks={name: each.result(rig.plants[name], rig.valves[name]) for name, each in notes.items()},
        transactions_s={name: bus.transactions / ended_s for name, bus in rig.buses.items()},
        bus_share={name: bus.transactions * bus.takes_s / ended_s for name, bus in rig.buses.items()},
        longest_wait_s={name: bus.longest_wait_s for name, bus in rig.buses.items()},
        events=tuple(keeper.events),
        all_shut=all_shut,
    )


class _Rig:
    """Plants and buses in the place of a site's devices."""

    def __init__(self, plot: Plot, clock: JumpingClock) -> None:
        site = self._site = plot.site
        self.buses = {name: Bus(clock, plot.transaction_s) for name in site.links}
        self.plants = {
            name: plant_for(site, tank, plot.tracks[name].another(), plot.seed + number)
            for number, (name, tank) in enumerate(site.tanks.items())
        }
        self.valves = {
            name: BusValve(self.plants[name], self.buses[tank.valve.link]) for name, tank in site.tanks.items()
        }

    def devices(self) -> Devices:
        """What the daemon is given."""
        tanks, plants, buses = self._site.tanks, self.plants, self.buses
        return Devices(
            transmitters={
                name: BusTransmitter(plants[name], buses[tank.transmitter.link]) for name, tank in tanks.items()
            },
            valves=self.valves,
            blow_valves={
                name: BusValve(plants[name], buses[tank.blow_valve.link])
                for name, tank in tanks.items()
                if tank.blow_valve is not None
            },
            vent_valves={
                name: BusValve(plants[name], buses[tank.vent_valve.link], RigCoil.VENT)
                for name, tank in tanks.items()
                if tank.vent_valve is not None
            },
            isolating={name: self._isolating(tank) for name, tank in tanks.items() if tank.isolate is not None},
            switches={name: dict(self._switches(tank)) for name, tank in tanks.items()},
            hold_off={
                name: {
                    hold.name: BusSwitch(plants[name], lambda: False, buses[hold.switch.link])
                    for hold in tank.schedule.hold_off
                }
                for name, tank in tanks.items()
            },
        )

    def _isolating(self, tank: Tank) -> Isolating:
        assert tank.isolate is not None  # noqa: S101 - for the type checker; its one caller has looked
        plant, spec = self.plants[tank.name], tank.isolate
        plant.command_isolator(False)  # without power
        return Isolating(
            valve=BusValve(plant, self.buses[spec.valve.link], RigCoil.ISOLATOR),
            shut=BusSwitch(plant, lambda: plant.isolated, self.buses[spec.shut.link]),
            safe=BusSwitch(plant, plant.bears_tube, self.buses[spec.safe.link]),
        )

    def _switches(self, tank: Tank) -> Iterator[tuple[Input, Switch]]:
        plant, inputs = self.plants[tank.name], tank.inputs
        if inputs.supply is not None:
            yield Input.SUPPLY, BusSwitch(plant, plant.supply_switch, self.buses[inputs.supply.link])
        if inputs.flow is not None:
            yield Input.FLOW, BusSwitch(plant, plant.flow_switch, self.buses[inputs.flow.link])


class _Notes:
    """What is noted of one tank while the daemon runs."""

    def __init__(self, plot: Plot, name: str) -> None:
        self._plot, self._tank, self._track = plot, plot.site.tanks[name], plot.tracks[name].another()
        self._stays = [stay for stay in self._track.stays_above(plot.alarms_m[name]) if stay.from_s < plot.duration_s]
        self._errors = ErrorMeter(plot.tracks[name].another())
        self._alarm = AlarmSeen(plot.alarms_m[name], self._stays)
        self._estimated = AlarmSeen(plot.alarms_m[name], self._stays)
        self._good, self._air_sl = 0, 0.0
        self._worst_m: float | None = None
        self._last_m: float | None = None
        self._diagnoses: dict[str, int] = {}
        self._purges: list[float] = []

    def reading(self, record: ReadingRecord, now_s: float) -> None:
        """Take in a reading as it comes to be known."""
        self._purges.append(record.at.monotonic_s)
        self._good += record.quality == "good"
        self._diagnoses[record.diagnosis] = self._diagnoses.get(record.diagnosis, 0) + 1
        self._air_sl += record.air_sl if math.isfinite(record.air_sl) else 0.0
        if record.level_m is not None:
            true_at_s = record.at.monotonic_s
            error_m = abs(record.level_m - self._track(true_at_s))
            self._worst_m = max(error_m, self._worst_m or 0.0)
            self._alarm.take(Shown(now_s, true_at_s, record.level_m))
            self._estimated.take(Shown(now_s, true_at_s, record.level_m))
        self._last_m = record.level_m
        self._errors.show(now_s, record.level_m)

    def estimated(self, clock: Clock, estimate: Estimate) -> None:
        """Take in what the watch makes of a look: it is shown, as an estimate, unless it says itself that it is blind.

        Args:
            clock: virtual time.
            estimate: the estimate. It has seen no alarm: only a reading raises one.
        """
        now_s, level = clock.monotonic_s(), estimate.level_m
        if level is None or estimate.decision is Decision.BLIND:
            self._errors.show(now_s, self._last_m)
            return
        self._errors.show(now_s, level.value)
        self._estimated.take(Shown(now_s, now_s, level.value))

    def result(self, plant: Plant, valve: BusValve) -> TankResult:
        """Sum up; the rehearsal is over."""
        plot, tank = self._plot, self._tank
        timer, purge = self._fixed_timer()
        taken_m3 = standard_volume_m3(plant.air_in_pa_m3, plant.params.air_k, ANR)
        self._errors.up_to(plot.duration_s)
        self._alarm.end(plot.duration_s)
        return TankResult(
            name=tank.name,
            readings=len(self._purges),
            good=self._good,
            diagnoses=self._diagnoses,
            ways=(
                Way(
                    name="continuous",
                    air_sl=_LITRES * continuous_m3_s(plot.site) * plot.duration_s,
                    openings=1,
                    worst_m=0.0,
                    p95_m=0.0,
                    delays_s=(0.0,) * len(self._stays),
                    missed=0,
                ),
                _way("fixed timer", timer, _LITRES * purge.air_m3 * len(timer.at_s), len(timer.at_s)),
                _way("lungfish", _Met(self._errors, self._alarm), self._air_sl, valve.openings),
            ),
            plant_air_sl=_LITRES * taken_m3,
            timer_open_s=purge.open_s,
            worst_reading_m=self._worst_m,
            unknown_s=self._errors.unknown_s,
            valve_open=plant.coil or plant.vent_coil,
            purges=tuple(self._purges),
            alarm_m=plot.alarms_m[tank.name],
            estimate_delays_s=tuple(self._estimated.delays_s),
        )

    def _fixed_timer(self) -> tuple[_Met, TimerPurge]:
        """A valve that is opened in every slot for as long as a brim-full tank with a flooded tube needs.

        It is given the truth at the end of each opening: its errors are those of waiting alone.
        """
        plot, tank = self._plot, self._tank
        purge = fixed_timer(plot.site, tank)
        met = _Met(ErrorMeter(plot.tracks[tank.name].another()), AlarmSeen(plot.alarms_m[tank.name], self._stays))
        number = 0
        while (at_s := number * tank.every_s + purge.open_s) <= plot.duration_s:
            level_m = self._track(at_s)
            met.errors.show(at_s, level_m)
            met.alarm.take(Shown(at_s, at_s, level_m))
            met.at_s.append(at_s)
            number += 1
        met.errors.up_to(plot.duration_s)
        met.alarm.end(plot.duration_s)
        return met, purge


@dataclass(slots=True)
class _Met:
    """What was noted of one way."""

    errors: ErrorMeter
    alarm: AlarmSeen
    at_s: list[float] = field(default_factory=list)


def _way(name: str, met: _Met, air_sl: float, openings: int) -> Way:
    return Way(
        name=name,
        air_sl=air_sl,
        openings=openings,
        worst_m=met.errors.worst_m,
        p95_m=met.errors.quantile_m(_SHARE),
        delays_s=tuple(met.alarm.delays_s),
        missed=met.alarm.missed,
    )
