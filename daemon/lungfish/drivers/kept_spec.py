"""From a valve of the site file to its row in the list of valves; see `kept_valves`, which can't know site files."""

from __future__ import annotations

from lungfish.config.link_model import (
    LinkSpec,
    ModbusRtuLinkSpec,
    ModbusRtuTcpLinkSpec,
    ModbusTcpLinkSpec,
    SerialTextLinkSpec,
    TlsSpec,
)
from lungfish.config.text_model import RelaySpec
from lungfish.config.valve_model import Output, ValveSpec
from lungfish.drivers.kept_valves import KeptValve, TlsWay
from lungfish.drivers.relay_now import RelayNow
from lungfish.drivers.rtu_now import serial_way

__all__ = ["kept_valve", "relay_now"]

_TIMEOUT_S = 1.0
"""Longest wait of the service manager's first try to shut a valve, s."""


def kept_valve(called: str, link: LinkSpec, valve: ValveSpec) -> KeptValve | None:
    """Its row; None for one that the list can't hold, which is left to `lungfish shut` with the site file.

    Args:
        called: what the valve is called.
        link: the link that it is on.
        valve: the valve.
    """
    host, port, serial, gap_s, tls = "", 0, None, 0.0, None
    if isinstance(link, ModbusTcpLinkSpec):
        host, port, tls = link.host, link.port, None if link.tls is None else _tls(link.tls, link.host)
    elif isinstance(link, ModbusRtuTcpLinkSpec):
        host, port, gap_s = link.host, link.port, link.turn_round_s
    elif isinstance(link, ModbusRtuLinkSpec):
        serial = serial_way(link.serial, link.turn_round_s)
    elif isinstance(link, SerialTextLinkSpec) and valve.relay is not None:
        serial = serial_way(link.serial, 0.0)
    else:
        return None
    return KeptValve(
        called=called,
        host=host,
        port=port,
        timeout_s=min(link.timeout_s, _TIMEOUT_S),
        unit=valve.unit,
        coil=valve.output is Output.COIL,
        address=valve.address,
        shut_value=valve.shut_value,
        bit=valve.bit,
        mask=valve.mask_write,
        rtu=not isinstance(link, ModbusTcpLinkSpec),
        serial=serial,
        gap_s=gap_s,
        tls=tls,
        relay=None if valve.relay is None else relay_now(valve.relay),
    )


def _tls(spec: TlsSpec, host: str) -> TlsWay:
    ca, certificate, key = (None if file is None else str(file) for file in (spec.ca, spec.certificate, spec.key))
    return TlsWay(ca=ca, certificate=certificate, key=key, server_name=spec.server_name or host)


def relay_now(spec: RelaySpec) -> RelayNow:
    """What shuts a relay without an event loop.

    Args:
        spec: its byte strings.
    """
    ask, is_open, is_shut = (each or b"" for each in (spec.ask, spec.open_answer, spec.shut_answer))
    return RelayNow(shut=spec.shut.hex(), ask=ask.hex(), open_answer=is_open.hex(), shut_answer=is_shut.hex())
