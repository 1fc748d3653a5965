"""Switches read over a register link: a discrete input, a coil, or a pressure in registers against a limit."""

from __future__ import annotations

import math

from lungfish.config.model import Bit, PressureLimitSpec, SwitchSpec
from lungfish.drivers.link import RegisterLink
from lungfish.drivers.transmitter import read_gauge_pa
from lungfish.errors import DeviceGarbled
from lungfish.ports import SwitchSeen

__all__ = ["ModbusSwitch", "PressureLimit"]


class ModbusSwitch:
    """Implements `lungfish.ports.Switch` with one bit.

    Args:
        link: The link that it is on, shared with whatever else is on it.
        spec: Where it stands, and which value means yes.
    """

    def __init__(self, link: RegisterLink, spec: SwitchSpec) -> None:
        self._link = link
        self._spec = spec

    async def read(self) -> SwitchSeen:
        """Ask it.

        Raises:
            DeviceError: No usable answer.
        """
        spec = self._spec
        read = self._link.read_coil if spec.bit is Bit.COIL else self._link.read_discrete_input
        reply = await read(unit=spec.unit, address=spec.address)
        return SwitchSeen(at_s=reply.at_s, active=reply.values[0] == spec.active_value)


class PressureLimit:
    """Implements `lungfish.ports.Switch` with a pressure: yes from a limit upwards.

    Args:
        link: The link that it is on, shared with whatever else is on it.
        spec: Where the pressure stands, what the number means, and the limit.
    """

    def __init__(self, link: RegisterLink, spec: PressureLimitSpec) -> None:
        self._link = link
        self._spec = spec

    async def read(self) -> SwitchSeen:
        """Ask it.

        Raises:
            DeviceGarbled: The device says that it has no number.
            DeviceError: No usable answer.
        """
        sample = await read_gauge_pa(self._link, self._spec)
        if not math.isfinite(sample.gauge_pa):
            spec = self._spec
            raise DeviceGarbled(f"link {spec.link}, unit {spec.unit}, register {spec.register}: no number")
        return SwitchSeen(at_s=sample.at_s, active=sample.gauge_pa >= self._spec.at_least_gauge_pa)
