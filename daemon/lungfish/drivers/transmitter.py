"""A pressure transmitter read over a register link, and any other pressure that stands in registers."""

from __future__ import annotations

from lungfish.config.model import PressureLimitSpec, TransmitterSpec
from lungfish.drivers.formats import decode
from lungfish.drivers.link import RegisterLink
from lungfish.ports import PressureSample

__all__ = ["ModbusTransmitter", "read_gauge_pa"]


async def read_gauge_pa(link: RegisterLink, spec: TransmitterSpec | PressureLimitSpec) -> PressureSample:
    """Read a pressure: all registers of the number in one request, so that it is never half old.

    Args:
        link: The link that it is on.
        spec: Where the value stands and what the number means.

    Returns:
        Gauge pressure, Pa; NaN or infinite if the device says so.

    Raises:
        DeviceError: No usable answer; never a stale value.
    """
    reply = await link.read_registers(
        unit=spec.unit, table=spec.table.value, address=spec.register, count=spec.format.registers
    )
    number = decode(reply.values, number_format=spec.format, word_order=spec.word_order, byte_order=spec.byte_order)
    gauge_pa = spec.offset_gauge_pa + spec.scale_pa * number
    return PressureSample(at_s=reply.at_s, gauge_pa=gauge_pa, took_s=reply.took_s)


class ModbusTransmitter:
    """Implements `lungfish.ports.Transmitter`.

    Args:
        link: The link that it is on, shared with whatever else is on it.
        spec: Where the value stands and what the number means.
    """

    def __init__(self, link: RegisterLink, spec: TransmitterSpec) -> None:
        self._link = link
        self._spec = spec

    async def read(self) -> PressureSample:
        """Take one reading.

        Returns:
            Gauge pressure, Pa; NaN or infinite if the device says so.

        Raises:
            DeviceError: No usable answer; never a stale value.
        """
        return await read_gauge_pa(self._link, self._spec)
