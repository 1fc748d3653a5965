"""A transmitter, a valve and switches on a simulated plant, without a wire between: for whole days in virtual time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from lungfish.core.events import ValveState
from lungfish.errors import DeviceTimeout
from lungfish.ports import Clock, PressureSample, SwitchSeen, ValveEcho
from lungfish.rig.plant import Plant

__all__ = ["RigCoil", "RigLink", "RigSwitch", "RigTransmitter", "RigValve"]


@dataclass(slots=True, kw_only=True)
class RigLink:
    """What lies between daemon and plant; to be changed while it runs."""

    takes_s: float = 0.005
    """From request to answer, s."""
    timeout_s: float = 0.5
    """Longest wait for an answer, s."""
    silent: bool = False
    """No request reaches the plant."""
    deaf_to_shut: bool = False
    """Commands to shut are lost; everything else works."""
    loses_answers: bool = False
    """Requests are carried out but their answers are lost."""


class _Wire:
    def __init__(self, plant: Plant, clock: Clock, link: RigLink) -> None:
        self.plant = plant
        self.clock = clock
        self.link = link

    async def there(self, *, lost: bool = False) -> float:
        """Bring a request to the plant; returns the moment of arrival."""
        asked_at_s = self.clock.monotonic_s()
        if self.link.silent or lost:
            await self.clock.sleep_until(asked_at_s + self.link.timeout_s)
            raise DeviceTimeout(f"simulated link: no answer within {self.link.timeout_s:g} s")
        arrives_at_s = asked_at_s + self.link.takes_s / 2
        await self.clock.sleep_until(arrives_at_s)
        self.plant.advance(arrives_at_s)
        return arrives_at_s

    async def back(self, arrived_at_s: float) -> None:
        """Bring the answer home."""
        if self.link.loses_answers:
            await self.clock.sleep_until(arrived_at_s + self.link.timeout_s)
            raise DeviceTimeout(f"simulated link: no answer within {self.link.timeout_s:g} s")
        await self.clock.sleep_until(arrived_at_s + self.link.takes_s / 2)


class RigTransmitter:
    """Reads a plant's pressure.

    Args:
        plant: the plant; it is brought up to date at each request.
        clock: time of daemon and plant alike.
        link: delay and faults.
    """

    def __init__(self, plant: Plant, clock: Clock, link: RigLink) -> None:
        self._wire = _Wire(plant, clock, link)

    async def read(self) -> PressureSample:
        """Take one reading.

        Raises:
            DeviceTimeout: The link is silent.
        """
        at_s = await self._wire.there()
        gauge_pa = self._wire.plant.gauge_pa()
        await self._wire.back(at_s)
        return PressureSample(at_s=at_s, gauge_pa=gauge_pa, took_s=self._wire.link.takes_s)


class RigSwitch:
    """Reads one of a plant's switches.

    Args:
        plant: the plant; it is brought up to date at each request.
        says: what the switch says then.
        clock: time of daemon and plant alike.
        link: delay and faults.
    """

    def __init__(self, plant: Plant, says: Callable[[], bool], clock: Clock, link: RigLink) -> None:
        self._wire = _Wire(plant, clock, link)
        self._says = says

    async def read(self) -> SwitchSeen:
        """Ask it.

        Raises:
            DeviceTimeout: The link is silent.
        """
        at_s = await self._wire.there()
        active = self._says()
        await self._wire.back(at_s)
        return SwitchSeen(at_s=at_s, active=active)


class RigCoil(Enum):
    """Which of a plant's coils a valve is driven by."""

    AIR = "air"
    VENT = "vent"
    ISOLATOR = "isolator"


class RigValve:
    """Drives one of a plant's valves.

    Args:
        plant: the plant; it is brought up to date at each request.
        clock: time of daemon and plant alike.
        link: delay and faults.
        coil: which of them.
    """

    def __init__(self, plant: Plant, clock: Clock, link: RigLink, coil: RigCoil = RigCoil.AIR) -> None:
        self._wire = _Wire(plant, clock, link)
        self._coil = coil

    async def command(self, state: ValveState) -> ValveEcho:
        """Set the coil and read it back.

        Raises:
            DeviceTimeout: The link is silent; whether the command was carried out is not known.
            ValueError: Told to be unknown.
        """
        if state is ValveState.UNKNOWN:
            raise ValueError("a valve can be told to open or to shut, not to be unknown")
        shut = state is ValveState.SHUT
        at_s = await self._wire.there(lost=shut and self._wire.link.deaf_to_shut)
        plant = self._wire.plant
        match self._coil:
            case RigCoil.AIR:
                plant.command(not shut)
            case RigCoil.VENT:
                plant.command_vent(not shut)
            case RigCoil.ISOLATOR:
                plant.command_isolator(not shut)
        return await self._echo(at_s)

    async def observe(self) -> ValveEcho:
        """Read the coil.

        Raises:
            DeviceTimeout: The link is silent.
        """
        return await self._echo(await self._wire.there())

    def coil_on(self) -> bool:
        """What the coil says, without asking over the link."""
        plant = self._wire.plant
        match self._coil:
            case RigCoil.AIR:
                return plant.coil
            case RigCoil.VENT:
                return plant.vent_coil
            case RigCoil.ISOLATOR:
                return plant.isolator_coil

    async def _echo(self, at_s: float) -> ValveEcho:
        state = ValveState.OPEN if self.coil_on() else ValveState.SHUT
        await self._wire.back(at_s)
        return ValveEcho(at_s=at_s, state=state)
