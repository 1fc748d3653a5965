"""One TCP connection to a Modbus server: one pymodbus client, never reused, behind the gate."""

from __future__ import annotations

import asyncio
import functools
import logging
import ssl
from collections.abc import Callable

from pymodbus.client import AsyncModbusTcpClient, AsyncModbusTlsClient
from pymodbus.exceptions import ConnectionException, ModbusIOException
from pymodbus.pdu import ModbusPDU

from lungfish.drivers.gate import Gate
from lungfish.drivers.messages import BITS, EXCEPTIONS, GATEWAY_TARGET_SILENT, Function, Reply, Request
from lungfish.errors import DeviceAbsent, DeviceGarbled, DeviceRefused, DeviceTimeout

__all__ = ["Connection", "reply_from"]

# The library logs each failure as an error of its own; what matters of it is raised and logged here, once.
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)

"""Exception by which a gateway says that the unit behind it did not answer (V1.1b3, section 7)."""


def reply_from(response: ModbusPDU, request: Request, gate: Gate, label: str) -> Reply:
    """Turn an answer that has passed the gate into values.

    Raises:
        DeviceRefused: It is an exception response.
        DeviceTimeout: It is a gateway's word that the unit behind it did not answer.
    """
    if response.isError():
        code = response.exception_code
        text = f"{label}, {request}: exception {code}, {EXCEPTIONS.get(code, 'not a code that Modbus knows')}"
        raise (DeviceTimeout if code == GATEWAY_TARGET_SILENT else DeviceRefused)(text)
    values = (int(response.bits[0]),) if request.function in BITS else tuple(response.registers)
    received_at_s = gate.sent_at_s if gate.answered_at_s is None else gate.answered_at_s
    return Reply(values, (gate.sent_at_s + received_at_s) / 2, received_at_s - gate.sent_at_s)


class Connection:
    """A connection that is used until its byte stream is anything but request, answer, request, answer.

    Must be made while an event loop runs. One request at a time: the owner sees to that.

    Args:
        label: What messages call the link.
        host: Host name or address.
        port: TCP port.
        timeout_s: Longest wait to connect, and for an answer, s.
        now: Monotonic clock, s.
        tls: What the connection is secured with; None: it is not.
    """

    def __init__(
        self,
        label: str,
        host: str,
        port: int,
        timeout_s: float,
        now: Callable[[], float],
        tls: ssl.SSLContext | None = None,
    ) -> None:
        self._label = label
        self._timeout_s = timeout_s
        self._now = now
        self._gate = Gate(now, self._break)
        make = AsyncModbusTcpClient if tls is None else functools.partial(AsyncModbusTlsClient, sslctx=tls)
        self._client = make(
            host,
            port=port,
            timeout=timeout_s,
            retries=0,
            reconnect_delay=0,
            trace_packet=self._gate.passes,
            trace_connect=self._on_connection,
        )
        self._broken = False
        self._deadline: asyncio.Timeout | None = None
        self.answers = 0
        """Answers that came over it, exceptions included."""

    @property
    def usable(self) -> bool:
        """Whether it may carry another request."""
        return self._client.connected and not self._gate.dirty and not self._broken

    @property
    def skipped(self) -> int:
        """Late or doubled frames that the last request had to skip."""
        return self._gate.skipped

    async def open(self) -> None:
        """Connect.

        Raises:
            DeviceAbsent: Nobody there.
        """
        began_s = self._now()
        try:
            if await self._client.connect():
                return
        except UnicodeError as error:  # such a name can't even be asked for
            raise DeviceAbsent(f"{self._label}: that is no host name") from error
        if self._now() - began_s >= self._timeout_s:
            raise DeviceAbsent(f"{self._label}: no connection within {self._timeout_s:g} s; look at power, cable, host")
        raise DeviceAbsent(f"{self._label}: connection refused, or no way to that host; look at host and port")

    async def ask(self, request: Request) -> Reply:
        """Send one request and wait for its answer.

        Raises:
            DeviceAbsent: The other end closed the connection.
            DeviceTimeout: No answer in time.
            DeviceGarbled: Bytes that are not the answer.
            DeviceRefused: An exception response.
        """
        try:
            # no deadline but the library's own, until the gate brings one forward because no answer can come any more
            async with asyncio.timeout(None) as self._deadline:
                response = await self._send(request)
        except TimeoutError as error:
            if self._gate.wrong is not None:
                raise DeviceGarbled(f"{self._label}, {request}: {self._gate.wrong}") from error
            raise DeviceAbsent(f"{self._label}, {request}: the other end closed the connection") from error
        except ModbusIOException as error:
            self._broken = True  # its answer may still come, so this socket must carry no other request
            raise DeviceTimeout(f"{self._label}, {request}: no answer within {self._timeout_s:g} s") from error
        except ConnectionException as error:
            raise DeviceAbsent(f"{self._label}, {request}: the connection is gone") from error
        finally:
            self._deadline = None
        self.answers += 1
        return reply_from(response, request, self._gate, self._label)

    async def _send(self, request: Request) -> ModbusPDU:
        client, address, operand, unit = self._client, request.address, request.operand, request.unit
        match request.function:
            case Function.READ_COILS:
                return await client.read_coils(address, count=operand, device_id=unit)
            case Function.READ_DISCRETE_INPUTS:
                return await client.read_discrete_inputs(address, count=operand, device_id=unit)
            case Function.READ_HOLDING:
                return await client.read_holding_registers(address, count=operand, device_id=unit)
            case Function.READ_INPUT:
                return await client.read_input_registers(address, count=operand, device_id=unit)
            case Function.WRITE_COIL:
                return await client.write_coil(address, bool(operand), device_id=unit)
            case Function.WRITE_REGISTER:
                return await client.write_register(address, operand, device_id=unit)
            case Function.MASK_WRITE:
                keeps, sets = request.masks
                return await client.mask_write_register(address=address, and_mask=keeps, or_mask=sets, device_id=unit)

    async def close(self) -> None:
        """Close the socket; nothing that still comes in can reach anybody."""
        self._client.close()
        await asyncio.sleep(0)  # the transport closes its socket in the loop's next turn

    def _break(self) -> None:
        """No answer can come over this connection any more."""
        first, self._broken = not self._broken, True
        if first and self._deadline is not None and self._gate.answered_at_s is None:
            self._deadline.reschedule(asyncio.get_running_loop().time())

    def _on_connection(self, connected: bool) -> None:
        if not connected:
            self._break()
