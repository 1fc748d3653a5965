"""A valve with a contact that the valve itself moves: what the output says is believed when the contact agrees.

An output that follows tells nothing of a valve that sticks, or of a coil without power. Without an answer of the
contact nothing is confirmed: then a valve told to shut is shut again and again, and none is opened.
"""

from __future__ import annotations

from lungfish.config.valve_model import LimitSwitchSpec
from lungfish.core.events import ValveState
from lungfish.errors import DeviceDisagrees
from lungfish.ports import Clock, Switch, Valve, ValveEcho

__all__ = ["LimitedValve"]

_BETWEEN_LOOKS_S = 0.05


class LimitedValve:
    """Implements `lungfish.ports.Valve`.

    Args:
        place: what messages call the valve.
        valve: its output.
        switch: the contact.
        spec: what the contact says, and how long the valve may take to move.
        clock: monotonic time and waiting.
    """

    def __init__(self, place: str, valve: Valve, switch: Switch, spec: LimitSwitchSpec, clock: Clock) -> None:
        self._place = place
        self._valve = valve
        self._switch = switch
        self._spec = spec
        self._clock = clock

    async def command(self, state: ValveState) -> ValveEcho:
        """Set the output, read it back, and wait for the contact to agree.

        Raises:
            ValueError: The state is UNKNOWN.
            DeviceDisagrees: The output follows and the valve does not.
            DeviceError: Not carried out or not confirmed; the state must be taken as unknown.
        """
        return await self._confirmed(await self._valve.command(state))

    async def observe(self) -> ValveEcho:
        """Read output and contact.

        Raises:
            DeviceDisagrees: They say two things.
            DeviceError: No usable answer of one of them.
        """
        return await self._confirmed(await self._valve.observe())

    async def _confirmed(self, echo: ValveEcho) -> ValveEcho:
        if echo.state is ValveState.UNKNOWN:
            return echo
        spec = self._spec
        until_s = self._clock.monotonic_s() + spec.within_s
        while True:
            seen = await self._switch.read()
            says = ValveState.SHUT if seen.active is spec.says_shut else ValveState.OPEN
            if says is echo.state:
                return echo
            now_s = self._clock.monotonic_s()
            if now_s >= until_s:
                raise DeviceDisagrees(
                    f"{self._place}: its output is {echo.state.value}, and its limit switch (link {spec.switch.link}, "
                    f"unit {spec.switch.unit}, {spec.switch.bit.value} {spec.switch.address}) still says "
                    f"{says.value} after {spec.within_s:g} s: the valve sticks or has no power, or the switch is wrong"
                )
            await self._clock.sleep_until(min(now_s + _BETWEEN_LOOKS_S, until_s))
