"""A purge valve driven by a coil or a holding register over a register link.

What is read back is the device's output, not the valve: a valve that sticks is seen in the pressure, not here.
"""

from __future__ import annotations

from lungfish.config.model import Output, ValveSpec
from lungfish.core.events import ValveState
from lungfish.drivers.link import RegisterLink
from lungfish.drivers.messages import Reply
from lungfish.errors import DeviceRefused
from lungfish.ports import Clock, ValveEcho

__all__ = ["ModbusValve", "output_state", "output_value"]

_LOOKS = 3
_BETWEEN_LOOKS_S = 0.05


def output_value(spec: ValveSpec, state: ValveState) -> int:
    """What must be written for a state.

    Raises:
        ValueError: Nobody can command UNKNOWN.
    """
    if state is ValveState.UNKNOWN:
        raise ValueError("a valve can be told to open or to shut, not to be unknown")
    return spec.open_value if state is ValveState.OPEN else spec.shut_value


def output_state(spec: ValveSpec, value: int) -> ValveState:
    """What a value read back means; UNKNOWN when it is neither that of open nor that of shut."""
    return {spec.open_value: ValveState.OPEN, spec.shut_value: ValveState.SHUT}.get(value, ValveState.UNKNOWN)


class ModbusValve:
    """Implements `lungfish.ports.Valve`.

    Args:
        link: The link that it is on, shared with whatever else is on it.
        spec: Where it is driven from, and what opens and shuts it.
        clock: Monotonic time and waiting.
    """

    def __init__(self, link: RegisterLink, spec: ValveSpec, clock: Clock) -> None:
        self._link = link
        self._spec = spec
        self._clock = clock

    async def command(self, state: ValveState) -> ValveEcho:
        """Write, have the echo checked, and read the output back.

        A device may show its output a little late, so up to three looks are taken, 50 ms apart.

        Returns:
            The state, stamped midway of the write and its echo: the best estimate of when the valve moved.

        Raises:
            ValueError: The state is UNKNOWN.
            DeviceRefused: The device took the command, but its output does not follow.
            DeviceError: Not carried out or not confirmed; the state must be taken as unknown.
        """
        value = output_value(self._spec, state)
        written = await self._write(value)
        looks = 0
        while (seen := await self._read()).values[0] != value:
            looks += 1
            if looks == _LOOKS:
                output = f"link {self._spec.link}, unit {self._spec.unit}, {self._spec.output.value}"
                raise DeviceRefused(
                    f"{output} {self._spec.address}: told to {state.value} by {value}, reads back {seen.values[0]}"
                )
            await self._clock.sleep_until(self._clock.monotonic_s() + _BETWEEN_LOOKS_S)
        return ValveEcho(at_s=written.at_s, state=state)

    async def observe(self) -> ValveEcho:
        """Read the output without changing it.

        Raises:
            DeviceError: No usable answer.
        """
        seen = await self._read()
        return ValveEcho(at_s=seen.at_s, state=output_state(self._spec, seen.values[0]))

    async def _write(self, value: int) -> Reply:
        spec = self._spec
        if spec.output is Output.COIL:
            return await self._link.write_coil(unit=spec.unit, address=spec.address, on=bool(value))
        return await self._link.write_register(unit=spec.unit, address=spec.address, value=value)

    async def _read(self) -> Reply:
        spec = self._spec
        if spec.output is Output.COIL:
            return await self._link.read_coil(unit=spec.unit, address=spec.address)
        return await self._link.read_registers(unit=spec.unit, table="holding", address=spec.address, count=1)
