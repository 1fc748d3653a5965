"""The form of a link, by its kind."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from lungfish.config.fields import Host, Quantity, told
from lungfish.config.sections import Section
from lungfish.units import DURATION

__all__ = [
    "GpioForm",
    "LinkForm",
    "LinkForms",
    "ModbusRtuForm",
    "ModbusRtuTcpForm",
    "ModbusTcpForm",
    "SerialTextForm",
    "TlsForm",
]


def _serial_port(value: str) -> str:
    if not (value.startswith("/") and len(value) <= 255 and value.isprintable()) or value.endswith("/"):
        raise told(f"`{value[:60]}` is no serial port", "write the port's file, such as `/dev/ttyUSB0`")
    return value


def _file_name(value: str) -> str:
    if not (0 < len(value) <= 1000 and value.isprintable()):
        raise told("this is no path", "write the name of a file in PEM format")
    return value


SerialPortFile = Annotated[str, AfterValidator(_serial_port)]
PemFile = Annotated[str, AfterValidator(_file_name)]
TcpPort = Annotated[int, Field(ge=1, le=65535)]
Timeout = Annotated[float, Quantity(DURATION, "20 ms", "10 s")]
TurnRound = Annotated[float, Quantity(DURATION, "0 ms", "500 ms")]
Baud = Literal[300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400]


class TlsForm(Section):
    """How a connection is secured."""

    ca: PemFile | None = None
    """File with the certificates that the device's own must be signed by, PEM; what the system trusts by default."""
    certificate: PemFile | None = None
    """File with lungfish's own certificate, PEM; none by default."""
    key: PemFile | None = None
    """File with the private key of `certificate`, PEM, that nobody else may read; in `certificate` by default."""
    server_name: Host | None = None
    """Name that the device's certificate must hold; `host` by default."""


class ModbusTcpForm(Section):
    """A Modbus TCP connection to an I/O device or a gateway."""

    kind: Literal["modbus-tcp"]
    """What is spoken on it."""
    host: Host
    """Host name or address."""
    port: TcpPort | None = None
    """TCP port; 502 by default, 802 with `tls`."""
    timeout: Timeout = 0.5
    """Longest wait for an answer; 500 ms by default."""
    tls: TlsForm | None = None
    """How it is secured; not by default."""


class ModbusRtuForm(Section):
    """A serial line with Modbus RTU devices on it, such as RS-485."""

    kind: Literal["modbus-rtu"]
    """What is spoken on it."""
    port: SerialPortFile
    """The serial port's file."""
    baud: Baud = 19200
    """Bits a second; 19200 by default, as the standard says."""
    parity: Literal["none", "even", "odd"] = "even"
    """Parity bit; even by default, as the standard says."""
    stop_bits: Literal[1, 2] = 1
    """Stop bits; 1 by default."""
    timeout: Timeout = 0.5
    """Longest wait for the beginning of an answer; 500 ms by default."""
    turn_round: TurnRound = 0.0
    """Silence before each request beyond the 3.5 characters of the standard, for devices that let go of an RS-485 line
    late; none by default."""


class ModbusRtuTcpForm(Section):
    """A device server that passes RTU frames between TCP and a serial line."""

    kind: Literal["modbus-rtu-tcp"]
    """What is spoken on it."""
    host: Host
    """Host name or address."""
    port: TcpPort
    """TCP port."""
    timeout: Timeout = 0.5
    """Longest wait for an answer; 500 ms by default."""
    turn_round: TurnRound = 0.0
    """Silence before each request; none by default."""


class SerialTextForm(Section):
    """A serial line with one device that speaks text or bytes of its own."""

    kind: Literal["serial-text"]
    """What is spoken on it."""
    port: SerialPortFile
    """The serial port's file."""
    baud: Baud = 9600
    """Bits a second; 9600 by default."""
    data_bits: Literal[7, 8] = 8
    """Data bits; 8 by default."""
    parity: Literal["none", "even", "odd"] = "none"
    """Parity bit; none by default."""
    stop_bits: Literal[1, 2] = 1
    """Stop bits; 1 by default."""
    timeout: Timeout = 0.5
    """Longest wait for an answer; 500 ms by default."""


class GpioForm(Section):
    """A chip with pins of the computer's own."""

    kind: Literal["gpio"]
    """What it is."""
    chip: SerialPortFile
    """The chip's file, such as `/dev/gpiochip0`."""


LinkForms = ModbusTcpForm | ModbusRtuForm | ModbusRtuTcpForm | SerialTextForm | GpioForm
"""A link's section, checked."""
LinkForm = Annotated[LinkForms, Field(discriminator="kind")]
"""The same, as the site file's form holds it."""
