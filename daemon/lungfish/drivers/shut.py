"""Shutting one valve without the daemon: no event loop, no shared connection, nothing that could be stuck.

For the `shut` command and for the guard thread, which must work when the loop has stalled or the process has died.
"""

from __future__ import annotations

import functools
import threading
import time
from collections import defaultdict
from collections.abc import Callable

from pymodbus.client import ModbusTcpClient
from pymodbus.exceptions import ModbusException, ModbusIOException
from pymodbus.pdu import ModbusPDU

from lungfish.config.link_model import GpioLinkSpec, LinkSpec, ModbusTcpLinkSpec, RtuLinkSpec, SerialTextLinkSpec
from lungfish.config.model import Output, ValveSpec
from lungfish.config.text_model import RelaySpec
from lungfish.core.events import ValveState
from lungfish.drivers.connection import reply_from
from lungfish.drivers.gate import Gate
from lungfish.drivers.gpio import shut_line
from lungfish.drivers.kept_spec import relay_now
from lungfish.drivers.messages import Function, Reply, Request
from lungfish.drivers.relay_now import UNCONFIRMED, shut_relay
from lungfish.drivers.rtu_now import RtuAsker, serial_way
from lungfish.drivers.tls import tls_context
from lungfish.drivers.valve import bit_of, output_value, reads_first, write_request
from lungfish.errors import DeviceAbsent, DeviceError, DeviceGarbled, DeviceTimeout

__all__ = ["shut_valve"]

_LONGEST_TIMEOUT_S = 1.0
_BETWEEN_TRIES_S = 0.1
_REGISTERS: defaultdict[tuple[object, ...], threading.Lock] = defaultdict(threading.Lock)
"""Of each output: two bits of one register are not changed at once, for one would put the other back."""


def shut_valve(link: LinkSpec, valve: ValveSpec, *, tries: int = 3) -> bool:
    """Shut a valve over connections of its own, and read it back.

    Blocks the calling thread. What counts is what is read back: a device whose echo is spoilt may still have shut.
    Each request has a new connection and waits at most the link's time-out, and at most 1 s, for it, and at most
    about twice that for its answer. If nobody is there that makes 3 s, at the very worst 18 s; but a host name has to
    be looked up each time, which the operating system may take longer over.

    Args:
        link: Where the device is.
        valve: Which output it is, and what shuts it.
        tries: How often to try before giving up.

    Returns:
        True when the output reads back as shut; False when the device takes the command and still reads back
        otherwise.

    Raises:
        DeviceError: The device can't be reached, does not answer, or refuses: the state is not known, or not shut.
    """
    if isinstance(link, GpioLinkSpec):
        return shut_line(link.chip, valve)
    if valve.relay is not None:
        return _shut_relay(link, valve, valve.relay, tries)
    value = output_value(valve, ValveState.SHUT)
    coil = valve.output is Output.COIL
    read = Request(Function.READ_COILS if coil else Function.READ_HOLDING, valve.unit, valve.address, 1)
    ask = _asker(link)
    pause = threading.Event()  # never set
    trouble: DeviceError | None = None
    for number in range(tries):
        if number:
            pause.wait(_BETWEEN_TRIES_S)
        trouble = None
        try:
            with _REGISTERS[link.place, valve.unit, valve.address]:
                register = ask(read).values[0] if reads_first(valve) else 0
                ask(write_request(valve, value, register))
        except DeviceAbsent as error:
            trouble = error
            continue
        except DeviceError as error:
            trouble = error
        try:
            if bit_of(valve, ask(read).values[0]) == value:
                return True
        except DeviceError as error:
            trouble = error
    if trouble is not None:
        raise trouble
    return False


def _shut_relay(link: LinkSpec, valve: ValveSpec, relay: RelaySpec, tries: int) -> bool:
    """The same for a relay board. One that does not answer is never confirmed."""
    if not isinstance(link, SerialTextLinkSpec):
        raise DeviceAbsent(f"link {link.name}: it carries {link.spoken}, and no byte strings")
    way, now = serial_way(link.serial, 0.0), relay_now(relay)
    trouble: DeviceError | None = None
    for _ in range(tries):
        try:
            why = shut_relay(way, now, min(link.timeout_s, _LONGEST_TIMEOUT_S))
        except OSError as error:
            trouble = DeviceAbsent(f"{valve.place} ({link.reached_by}): {error.strerror or error}")
            continue
        if why is None:
            return True
        if why == UNCONFIRMED:
            raise DeviceGarbled(f"{valve.place}: {why}")
        trouble = DeviceTimeout(f"{valve.place}: {why}")
    if trouble is not None:
        raise trouble
    return False


def _asker(link: LinkSpec) -> Callable[[Request], Reply]:
    """What asks one thing of a device behind a link.

    Raises:
        DeviceAbsent: It can carry no request.
    """
    if isinstance(link, ModbusTcpLinkSpec):
        return functools.partial(_ask, link)
    if isinstance(link, RtuLinkSpec):
        return RtuAsker(link)
    raise DeviceAbsent(f"link {link.name}: it carries {link.spoken}, no Modbus")


def _ask(link: ModbusTcpLinkSpec, request: Request) -> Reply:
    """Connect, send one request, wait for its answer, close; all in this thread.

    Raises:
        DeviceError: No usable answer.
    """
    timeout_s = min(link.timeout_s, _LONGEST_TIMEOUT_S)
    label = f"link {link.name} ({link.host}:{link.port})"
    gate = Gate(time.monotonic, _stop_waiting)
    client = ModbusTcpClient(
        link.host, port=link.port, timeout=timeout_s, retries=0, reconnect_delay=0, trace_packet=gate.passes
    )
    try:
        if not client.connect():  # type: ignore[no-untyped-call]  # the library leaves it untyped
            raise DeviceAbsent(f"{label}: no connection within {timeout_s:g} s; look at power, cable, host and port")
        if link.tls is not None and client.socket is not None:
            context = tls_context(link.tls, link.host, label)
            client.socket = context.wrap_socket(client.socket, server_hostname=context.server_name)
        return reply_from(_send(client, request), request, gate, label)
    except (ModbusException, OSError, UnicodeError) as error:  # UnicodeError: no such host name can be
        if gate.wrong is not None:
            raise DeviceGarbled(f"{label}, {request}: {gate.wrong}") from error
        if isinstance(error, ModbusIOException):
            raise DeviceTimeout(f"{label}, {request}: no answer within {timeout_s:g} s") from error
        raise DeviceAbsent(f"{label}, {request}: the connection failed") from error
    finally:
        client.close()  # type: ignore[no-untyped-call]  # the library leaves it untyped


def _stop_waiting() -> None:
    """Called by the gate within the library's wait, which would else go on to its time-out."""
    raise ModbusException("no answer can come any more")


def _send(client: ModbusTcpClient, request: Request) -> ModbusPDU:
    address, operand, unit = request.address, request.operand, request.unit
    match request.function:
        case Function.WRITE_COIL:
            return client.write_coil(address, bool(operand), device_id=unit)
        case Function.WRITE_REGISTER:
            return client.write_register(address, operand, device_id=unit)
        case Function.MASK_WRITE:
            keeps, sets = request.masks
            return client.mask_write_register(address=address, and_mask=keeps, or_mask=sets, device_id=unit)
        case Function.READ_COILS:
            return client.read_coils(address, count=operand, device_id=unit)
        case Function.READ_DISCRETE_INPUTS:
            return client.read_discrete_inputs(address, count=operand, device_id=unit)
        case Function.READ_HOLDING:
            return client.read_holding_registers(address, count=operand, device_id=unit)
        case Function.READ_INPUT:
            return client.read_input_registers(address, count=operand, device_id=unit)
