"""The wiring of a site, tried step by step with a person at the panel; at the end, whatever happens, all is shut."""

from __future__ import annotations

import asyncio
import statistics
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from enum import Enum
from typing import Protocol

from lungfish.app.air import AirPermits
from lungfish.app.daemon import build_tank_loop
from lungfish.app.house import House
from lungfish.app.progress import Progress
from lungfish.app.proofs import PROOF, PROOF_MARGIN_S, proof_text
from lungfish.app.purge_valve import PurgeValve
from lungfish.app.records import aborted_record
from lungfish.config import Tank, ValveSpec, blow_valve_name
from lungfish.core.events import ValveState
from lungfish.drivers.word_order import interpretations, verdict
from lungfish.errors import DeviceError, DeviceRefused
from lungfish.physics.standard import ANR, standard_volume_m3

__all__ = ["Commissioning", "Outcome", "Person", "Step"]

_SHUT_WITHIN_S = 10.0
_LOOKS = 5
_BETWEEN_LOOKS_S = 0.2
_MOST_REGISTERS = 4
_CLICK_S = 2.0
"""Longest time that a valve is open for its click: long enough to hear and to see the pressure move."""
_SAMPLE_EVERY_S = 0.1
_QUIET_S = 1.0
_LEAST_MOVE_PA = 20.0
_SURE = 5.0
_GUARD_STAYS_S = 1.8
"""So long past `max_open` the guard, which would shut it from here, still stays away."""
_MOST_LOST = 3
"""So many requests may be lost on the way to the answers that are wanted."""
_LITRES = 1000.0


class Outcome(Enum):
    """What came of a step."""

    PASSED = "passed"
    FAILED = "FAILED"
    NOT_SHOWN = "not shown"
    """Nothing is wrong as far as can be seen, and it is not proven."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the check."""

    part: str
    """Tank, valve or link."""
    what: str
    """What was tried."""
    outcome: Outcome
    """What came of it."""
    text: str
    """In one sentence."""


class Person(Protocol):
    """Whoever stands at the panel."""

    def say(self, text: str) -> None:
        """Show a line."""
        ...

    async def ask(self, question: str) -> bool:
        """Ask for a yes or a no.

        Raises:
            EOFError: nobody answers any more.
        """
        ...


class Commissioning:
    """One run. Make it inside the running loop.

    Args:
        house: the open site: its store is ours, so no daemon runs on it.
        person: who is asked, and told.
        opens: whether valves may be opened; else only what opens nothing is tried.
    """

    def __init__(self, house: House, person: Person, *, opens: bool) -> None:
        self._house = house
        self._person = person
        self._opens = opens
        self._air = AirPermits(1)
        self.steps: list[Step] = []
        """What was tried so far."""
        loops = {
            name: build_tank_loop(
                house.site,
                tank,
                house.devices,
                house.clock,
                house.journal,
                self._air,
                progress=Progress(),
                watch=house.guard,
            )
            for name, tank in house.site.tanks.items()
        }
        self._valves = {valve.called: valve for loop in loops.values() for valve in loop.every_valve}

    async def run(self, tanks: Sequence[Tank]) -> None:
        """Try everything, tank by tank.

        Args:
            tanks: those that are wanted; all valves of the site are shut first and last all the same.

        Raises:
            EOFError: the person has gone.
        """
        try:
            await self._shut_all("at the start")
            for tank in tanks:
                self._person.say("")
                self._person.say(f"== {tank.name}")
                await self._transmitter(tank)
                for called, spec in self._valves_of(tank):
                    await self._valve(tank, called, spec)
        finally:
            self._person.say("")
            await self._shut_all("at the end")

    @property
    def all_shut(self) -> bool:
        """Every valve of the site is confirmed shut."""
        return all(valve.observed is ValveState.SHUT for valve in self._valves.values())

    def _valves_of(self, tank: Tank) -> list[tuple[str, ValveSpec]]:
        own = self._house.site.valves
        return [(called, spec) for called, spec in own.items() if self._house.site.owner(called) == tank.name]

    def _note(self, part: str, what: str, outcome: Outcome, text: str) -> None:
        self.steps.append(Step(part, what, outcome, text))
        self._person.say(f"  {outcome.value:<9}  {what}: {text}")

    async def _shut_all(self, when: str) -> None:
        await asyncio.wait({valve.ensure_shut() for valve in self._valves.values()}, timeout=_SHUT_WITHIN_S)
        for called, valve in self._valves.items():
            if valve.observed is ValveState.SHUT:
                self._note(called, f"shut {when}", Outcome.PASSED, f"the output of {called} reads back as shut")
            else:
                text = f"the output of {called} does not read back as shut: shut the air off by hand"
                self._note(called, f"shut {when}", Outcome.FAILED, text)

    async def _transmitter(self, tank: Tank) -> None:
        spec = tank.transmitter
        if spec.text is not None:
            await self._text_transmitter(tank)
            return
        link = self._house.links[spec.link]
        where = f"link {spec.link}, unit {spec.unit}, {spec.table.value} register {spec.register}"
        looks: list[tuple[int, ...]] = []
        took_s: list[float] = []
        trouble = ""
        for count in dict.fromkeys((_MOST_REGISTERS, spec.format.registers)):
            lost = 0
            looks.clear()
            while len(looks) < _LOOKS and lost < _MOST_LOST:
                try:
                    reply = await link.read_registers(
                        unit=spec.unit, table=spec.table.value, address=spec.register, count=count
                    )
                except DeviceError as error:
                    trouble, lost = str(error), _MOST_LOST if isinstance(error, DeviceRefused) else lost + 1
                    continue
                looks.append(tuple(reply.values))
                took_s.append(reply.took_s)
                await self._pause(_BETWEEN_LOOKS_S)
            if len(looks) == _LOOKS:
                break
        if len(looks) < _LOOKS:
            self._note(tank.name, "transmitter answers", Outcome.FAILED, trouble)
            return
        answered = f"{where}: {_LOOKS} answers, {1000.0 * statistics.median(took_s):.0f} ms from request to answer"
        self._note(tank.name, "transmitter answers", Outcome.PASSED, answered)
        found = interpretations(looks, spec)
        self._person.say(f"  raw words, hexadecimal: {' '.join(f'{word:04X}' for word in looks[-1])}; read as")
        self._person.say(f"    {'format':<8} {'order':<24} {'number':>13}  {'pressure':>16}  (*: the site file's way)")
        for each in found:
            mark = "*" if each.as_configured else " "
            can_be = "can be" if each.possible else "can't be"
            order = f"{each.word_order.value}-word {each.byte_order.value}-byte"
            number, pressure = f"{each.number:.6g}", f"{each.gauge_pa:.5g} Pa"
            self._person.say(f"  {mark} {each.format.value:<8} {order:<24} {number:>13}  {pressure:>16}  {can_be}")
        right, text = verdict(found, looks)
        self._note(tank.name, "order of words and bytes", Outcome.PASSED if right else Outcome.FAILED, text)

    async def _text_transmitter(self, tank: Tank) -> None:
        transmitter = self._house.devices.transmitters[tank.name]
        try:
            gauges = [(await transmitter.read()).gauge_pa for _ in range(_LOOKS)]
        except DeviceError as error:
            self._note(tank.name, "transmitter answers", Outcome.FAILED, str(error))
            return
        told = f"link {tank.transmitter.link}: {_LOOKS} lines, the last one reads as {gauges[-1]:.5g} Pa"
        self._note(tank.name, "transmitter answers", Outcome.PASSED, told)

    async def _valve(self, tank: Tank, called: str, spec: ValveSpec) -> None:
        valve = self._valves[called]
        if not self._opens:
            self._note(called, "click", Outcome.NOT_SHOWN, "left out: nobody is at the panel")
            return
        if valve.observed is not ValveState.SHUT:
            self._note(called, "click", Outcome.FAILED, "not opened, for it is not confirmed shut")
            return
        open_s = min(_CLICK_S, 0.5 * spec.max_open_s)
        if not await self._person.ask(f"listen at the valve of {called}: open it for {open_s:g} s now?"):
            self._note(called, "click", Outcome.NOT_SHOWN, "left out, as you wished")
            return
        if await self._click(tank, valve, open_s) and spec.outside_bound_s is not None:
            await self._time_out(tank, valve, spec, spec.outside_bound_s)

    async def _click(self, tank: Tank, valve: PurgeValve, open_s: float) -> bool:
        """Whether it was the right valve, as far as the person can tell: only such a one is left open alone."""
        try:
            before = await self._pressures(tank, _QUIET_S)
            if max(before) >= tank.transmitter.span_high_gauge_pa:
                self._note(valve.called, "click", Outcome.FAILED, "not opened, for the transmitter is at its limit")
                return False
            async with self._opened(tank, valve):
                during = await self._pressures(tank, open_s)
            after = await self._pressures(tank, _QUIET_S)
        except DeviceError as error:
            self._note(valve.called, "click", Outcome.FAILED, str(error))
            return False
        if valve.observed is not ValveState.SHUT:
            self._note(valve.called, "shut after the click", Outcome.FAILED, "SHUT THE AIR OFF BY HAND")
            return False
        rest_pa, noise_pa = statistics.fmean(before), statistics.pstdev(before)
        moved_pa = max((*during, *after), key=lambda each_pa: abs(each_pa - rest_pa)) - rest_pa
        if abs(moved_pa) > max(_LEAST_MOVE_PA, _SURE * noise_pa):
            text = f"it moved by {moved_pa:+.0f} Pa while the valve was open (noise {noise_pa:.1f} Pa)"
            self._note(valve.called, "transmitter responds", Outcome.PASSED, text)
        else:
            text = (
                f"it moved by {moved_pa:+.0f} Pa: a tube full of air shows next to nothing at its own end; else no "
                "air comes, or it is another tank's transmitter or valve"
            )
            self._note(valve.called, "transmitter responds", Outcome.NOT_SHOWN, text)
        if await self._person.ask(f"did the valve of {valve.called} click twice, and no other?"):
            self._note(valve.called, "click", Outcome.PASSED, "heard or seen at the panel")
            return True
        text = "not heard, or another one clicked: look at link, unit and output, and at the wire"
        self._note(valve.called, "click", Outcome.FAILED, text)
        return False

    async def _time_out(self, tank: Tank, valve: PurgeValve, spec: ValveSpec, timeout_s: float) -> None:
        """Open, say nothing to anybody, and look once when the block must have shut it: a look would keep it open."""
        alone_s = timeout_s + PROOF_MARGIN_S
        what = "block shuts by itself"
        if alone_s >= spec.max_open_s + (_GUARD_STAYS_S if spec.pulse is not None else 0.0):
            text = f"not tried: {alone_s:g} s is more than the valve may be open, `max_open` {spec.max_open_s:g} s"
            self._note(valve.called, what, Outcome.NOT_SHOWN, text)
            return
        question = f"open {valve.called} for {alone_s:g} s, unwatched, to see the block shut it?"
        if valve.observed is not ValveState.SHUT or not await self._person.ask(question):
            self._note(valve.called, what, Outcome.NOT_SHOWN, "left out")
            return
        try:
            async with self._opened(tank, valve):
                await self._pause(alone_s)
                seen = await valve.check_open()
        except DeviceError as error:
            self._note(valve.called, what, Outcome.FAILED, f"NOT proven: {error}")
            return
        if seen is ValveState.SHUT:
            text = proof_text(valve.called, spec)
            self._house.journal.event(PROOF, text, tank=tank.name)
            self._note(valve.called, what, Outcome.PASSED, f"proven: {text}")
        else:
            text = f"NOT proven: still open {alone_s:g} s after the last request; it was shut by us"
            self._note(valve.called, what, Outcome.FAILED, text)

    @asynccontextmanager
    async def _opened(self, tank: Tank, valve: PurgeValve) -> AsyncIterator[None]:
        """A valve open inside, and told to shut on every way out; its opening has its row."""
        clock = self._house.clock
        valve.opening_sent = False
        await valve.take_air()
        opened_s = clock.monotonic_s()
        try:
            await valve.open()
            yield
        finally:
            await asyncio.wait({valve.ensure_shut()}, timeout=_SHUT_WITHIN_S)
            valve.yield_air()
            self._row(tank, valve, clock.monotonic_s() - opened_s)

    def _row(self, tank: Tank, valve: PurgeValve, open_s: float) -> None:
        if valve.called not in (tank.name, blow_valve_name(tank.name)):
            return  # it lets no air in
        journal, air = self._house.journal, self._house.site.air
        sentence = "opened by a person in a check of the wiring: no reading"
        row = aborted_record(tank.name, journal.stamps, sentence, opening_sent=valve.opening_sent)
        if valve.opening_sent and valve.observed is ValveState.SHUT:
            air_m3 = standard_volume_m3(air.flow_pa_m3_s * open_s, air.temperature_k, ANR)
            row = replace(row, purge_s=open_s, air_sl=_LITRES * air_m3)
        journal.reading(row)

    async def _pressures(self, tank: Tank, seconds: float) -> list[float]:
        """Gauge pressures for a while, Pa; ended at once where the transmitter's limit is reached.

        Raises:
            DeviceError: no usable answer.
        """
        clock, found = self._house.clock, []
        until_s = clock.monotonic_s() + seconds
        while clock.monotonic_s() < until_s:
            sample = await self._house.devices.transmitters[tank.name].read()
            found.append(sample.gauge_pa)
            if sample.gauge_pa >= tank.transmitter.span_high_gauge_pa:
                break
            await self._pause(_SAMPLE_EVERY_S)
        return found

    async def _pause(self, seconds: float) -> None:
        await self._house.clock.sleep_until(self._house.clock.monotonic_s() + seconds)
