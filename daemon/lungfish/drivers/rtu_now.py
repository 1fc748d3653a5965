"""One Modbus RTU request at a time without an event loop, with the errors of a driver."""

from __future__ import annotations

import time

from lungfish.config.link_model import ModbusRtuLinkSpec, RtuLinkSpec, SerialSettings
from lungfish.drivers.line_now import SerialNow, SerialWay, TcpNow, ask
from lungfish.drivers.messages import EXCEPTIONS, GATEWAY_TARGET_SILENT, Reply, Request
from lungfish.errors import DeviceAbsent, DeviceGarbled, DeviceRefused, DeviceTimeout

__all__ = ["RtuAsker", "serial_way"]

_LONGEST_TIMEOUT_S = 1.0


def serial_way(serial: SerialSettings, turn_round_s: float) -> SerialWay:
    """A serial port as it is opened without an event loop.

    Args:
        serial: the port.
        turn_round_s: silence kept before each request beyond that of the standard, s.
    """
    return SerialWay(
        port=serial.port,
        baud=serial.baud,
        parity=serial.parity.value,
        stop_bits=serial.stop_bits,
        data_bits=serial.data_bits,
        gap_s=serial.gap_s + turn_round_s,
    )


class RtuAsker:
    """Asks one thing of a device, for each a turn on the line.

    Args:
        link: the link.
    """

    def __init__(self, link: RtuLinkSpec) -> None:
        self._link = link
        self._echoed = False
        self._first = True

    def __call__(self, request: Request) -> Reply:
        """Ask.

        Raises:
            DeviceError: No usable answer.
        """
        link = self._link
        label = f"link {link.name} ({link.reached_by}), {request}"
        timeout_s = min(link.timeout_s, _LONGEST_TIMEOUT_S)
        began_s = time.monotonic()
        try:
            with (
                SerialNow(serial_way(link.serial, link.turn_round_s))
                if isinstance(link, ModbusRtuLinkSpec)
                else TcpNow(link.host, link.port, timeout_s, link.turn_round_s)
            ) as line:
                first = True
                if self._first and not request.is_write:
                    # twice: the first answer may be one that a dead owner was still waiting for, of another register
                    ask(line, request, timeout_s, echoed=self._echoed, first=True)
                    first = False
                self._first = False
                heard = ask(line, request, timeout_s, echoed=self._echoed, first=first)
        except (OSError, UnicodeError) as error:  # UnicodeError: no such host name can be
            raise DeviceAbsent(f"{label}: {getattr(error, 'strerror', None) or error}") from error
        if not request.is_write and heard.answered:
            self._echoed = heard.echo
        if heard.values is not None:
            ended_s = time.monotonic()
            return Reply(heard.values, (began_s + ended_s) / 2.0, ended_s - began_s)
        if heard.exception is not None:
            text = f"{label}: exception {heard.exception}, {EXCEPTIONS.get(heard.exception, 'not known to Modbus')}"
            raise (DeviceTimeout if heard.exception == GATEWAY_TARGET_SILENT else DeviceRefused)(text)
        if heard.noise or heard.frames:
            raise DeviceGarbled(f"{label}: bytes, and no answer among them, within {timeout_s:g} s")
        raise DeviceTimeout(f"{label}: no answer within {timeout_s:g} s")
