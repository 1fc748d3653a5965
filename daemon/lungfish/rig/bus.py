"""Transmitters, valves and switches of simulated plants on shared buses: one transaction at a time, each counted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from lungfish.core.events import ValveState
from lungfish.ports import Clock, PressureSample, SwitchSeen, ValveEcho
from lungfish.rig.plant import Plant
from lungfish.rig.ports import RigCoil

__all__ = ["Bus", "BusSwitch", "BusTransmitter", "BusValve"]


@dataclass(slots=True)
class Bus:
    """A link that carries one transaction at a time, in the order of asking.

    Args:
        clock: time of daemon and plants alike.
        takes_s: from request to answer, s.
    """

    clock: Clock
    """Time of daemon and plants alike."""
    takes_s: float
    """From request to answer, s."""
    transactions: int = 0
    """How many it has carried."""
    longest_wait_s: float = 0.0
    """Longest time that a request has waited for its turn, s."""
    _free_at_s: float = 0.0

    async def carry(self, plant: Plant, count: int = 1) -> float:
        """Carry transactions with a plant, which is brought up to date.

        Args:
            plant: the plant.
            count: how many of them follow each other.

        Returns:
            The moment midway of them.
        """
        now_s = self.clock.monotonic_s()
        begin_s = max(now_s, self._free_at_s)
        end_s = self._free_at_s = begin_s + count * self.takes_s
        self.transactions += count
        self.longest_wait_s = max(self.longest_wait_s, begin_s - now_s)
        await self.clock.sleep_until(end_s)
        at_s = 0.5 * (begin_s + end_s)
        plant.advance(at_s)
        return at_s


class BusTransmitter:
    """Reads a plant's pressure: one transaction.

    Args:
        plant: the plant.
        bus: what carries it.
    """

    def __init__(self, plant: Plant, bus: Bus) -> None:
        self._plant, self._bus = plant, bus

    async def read(self) -> PressureSample:
        """Take one reading."""
        at_s = await self._bus.carry(self._plant)
        return PressureSample(at_s=at_s, gauge_pa=self._plant.gauge_pa(), took_s=self._bus.takes_s)


class BusValve:
    """Drives one of a plant's valves: a command and its reading back are two transactions.

    Args:
        plant: the plant.
        bus: what carries it.
        coil: which valve.
    """

    def __init__(self, plant: Plant, bus: Bus, coil: RigCoil = RigCoil.AIR) -> None:
        self._plant, self._bus, self._coil = plant, bus, coil
        self.openings = 0
        """How often its coil was switched on."""

    async def command(self, state: ValveState) -> ValveEcho:
        """Set the coil and read it back.

        Raises:
            ValueError: Told to be unknown.
        """
        if state is ValveState.UNKNOWN:
            msg = "a valve can be told to open or to shut, not to be unknown"
            raise ValueError(msg)
        to_open = state is ValveState.OPEN
        at_s = await self._bus.carry(self._plant, 2)
        self.openings += to_open and not self._is_on()
        match self._coil:
            case RigCoil.AIR:
                self._plant.command(to_open)
            case RigCoil.VENT:
                self._plant.command_vent(to_open)
            case RigCoil.ISOLATOR:
                self._plant.command_isolator(to_open)
        return self._echo(at_s)

    async def observe(self) -> ValveEcho:
        """Read the coil."""
        return self._echo(await self._bus.carry(self._plant))

    def _is_on(self) -> bool:
        match self._coil:
            case RigCoil.AIR:
                return self._plant.coil
            case RigCoil.VENT:
                return self._plant.vent_coil
            case RigCoil.ISOLATOR:
                return self._plant.isolator_coil

    def _echo(self, at_s: float) -> ValveEcho:
        return ValveEcho(at_s=at_s, state=ValveState.OPEN if self._is_on() else ValveState.SHUT)


class BusSwitch:
    """Reads one of a plant's switches: one transaction.

    Args:
        plant: the plant.
        says: what the switch says then.
        bus: what carries it.
    """

    def __init__(self, plant: Plant, says: Callable[[], bool], bus: Bus) -> None:
        self._plant, self._says, self._bus = plant, says, bus

    async def read(self) -> SwitchSeen:
        """Ask it."""
        at_s = await self._bus.carry(self._plant)
        return SwitchSeen(at_s=at_s, active=self._says())
