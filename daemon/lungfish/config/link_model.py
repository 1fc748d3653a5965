"""What carries a site's talk to its devices: Modbus over TCP, TLS, a serial line or both; or plain text."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path

__all__ = [
    "GpioLinkSpec",
    "LinkSpec",
    "ModbusLinkSpec",
    "ModbusRtuLinkSpec",
    "ModbusRtuTcpLinkSpec",
    "ModbusTcpLinkSpec",
    "Parity",
    "RtuLinkSpec",
    "SerialSettings",
    "SerialTextLinkSpec",
    "TlsSpec",
    "transaction_s",
]

_GAP_CHARS = 3.5
_FAST_BAUD, _FAST_GAP_S = 19200, 1.75e-3
_REQUEST_CHARS, _ANSWER_CHARS = 8, 9  # of a read of two registers, MODBUS over Serial Line V1.02, section 2.5.1


class Parity(Enum):
    """The parity bit of a character on a serial line."""

    NONE = "none"
    EVEN = "even"
    ODD = "odd"


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialSettings:
    """A serial port and how characters stand on its line."""

    port: str
    """The port's file."""
    baud: int
    """Bits a second."""
    parity: Parity
    """Parity bit."""
    stop_bits: int
    """1 or 2."""
    data_bits: int = 8
    """7 or 8; RTU always has 8."""

    @property
    def char_s(self) -> float:
        """Time of one character on the wire, its start bit included, s."""
        return (1 + self.data_bits + (self.parity is not Parity.NONE) + self.stop_bits) / self.baud

    @property
    def gap_s(self) -> float:
        """The silence between two RTU frames, s: 3.5 characters, 1.75 ms above 19200 baud (V1.02, section 2.5.1.1)."""
        return _FAST_GAP_S if self.baud > _FAST_BAUD else _GAP_CHARS * self.char_s

    @property
    def shown(self) -> str:
        """For people: `/dev/ttyUSB0, 19200 baud 8E1`."""
        return f"{self.port}, {self.baud} baud {self.data_bits}{self.parity.value[0].upper()}{self.stop_bits}"


@dataclass(frozen=True, slots=True, kw_only=True)
class TlsSpec:
    """How a TLS connection is proven; what is None was left out of the file."""

    ca: Path | None
    """Certificates that the device's own must be signed by, PEM; None: those that the operating system trusts."""
    certificate: Path | None
    """Our own certificate, PEM; None: none is shown."""
    key: Path | None
    """Its private key, PEM; None: none, or it stands in `certificate`."""
    server_name: str | None
    """The name that the device's certificate must hold; None: the link's host."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusTcpLinkSpec:
    """One Modbus TCP connection."""

    name: str
    """Name in the site file."""
    host: str
    """Host name or address."""
    port: int
    """TCP port."""
    timeout_s: float
    """Longest wait for a connection and for an answer, s."""
    tls: TlsSpec | None = None
    """How it is secured; None: not."""

    @property
    def place(self) -> tuple[object, ...]:
        """What two links to one place have in common."""
        return (self.host.lower(), self.port)

    @property
    def spoken(self) -> str:
        """For people: what is spoken on it."""
        return "Modbus TCP" if self.tls is None else "Modbus TCP over TLS"

    @property
    def reached_by(self) -> str:
        """For people: where it goes."""
        return f"{self.host}, port {self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusRtuLinkSpec:
    """A serial line with Modbus RTU devices on it."""

    name: str
    """Name in the site file."""
    serial: SerialSettings
    """The port."""
    timeout_s: float
    """Longest wait for an answer, counted from the end of the request to its beginning, s."""
    turn_round_s: float
    """Silence kept before each request beyond the 3.5 characters of the standard, s."""

    @property
    def place(self) -> tuple[object, ...]:
        """What two links to one place have in common."""
        return (self.serial.port,)

    @property
    def spoken(self) -> str:
        """For people: what is spoken on it."""
        return "Modbus RTU"

    @property
    def reached_by(self) -> str:
        """For people: where it goes."""
        return self.serial.shown


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusRtuTcpLinkSpec:
    """A serial line behind a device server that passes RTU frames on as they are."""

    name: str
    """Name in the site file."""
    host: str
    """Host name or address of the device server."""
    port: int
    """TCP port."""
    timeout_s: float
    """Longest wait for a connection and for an answer, s."""
    turn_round_s: float
    """Silence kept before each request, s."""

    @property
    def place(self) -> tuple[object, ...]:
        """What two links to one place have in common."""
        return (self.host.lower(), self.port)

    @property
    def spoken(self) -> str:
        """For people: what is spoken on it."""
        return "Modbus RTU over TCP"

    @property
    def reached_by(self) -> str:
        """For people: where it goes."""
        return f"{self.host}, port {self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialTextLinkSpec:
    """A serial line with one device that speaks in lines of text or bytes, and no Modbus."""

    name: str
    """Name in the site file."""
    serial: SerialSettings
    """The port."""
    timeout_s: float
    """Longest wait for an answer, s."""
    spoken: str = field(default="text", init=False)
    """For people: what is spoken on it."""

    @property
    def place(self) -> tuple[object, ...]:
        """What two links to one place have in common."""
        return (self.serial.port,)

    @property
    def reached_by(self) -> str:
        """For people: where it goes."""
        return self.serial.shown


@dataclass(frozen=True, slots=True, kw_only=True)
class GpioLinkSpec:
    """A chip with pins of the computer's own."""

    name: str
    """Name in the site file."""
    chip: str
    """The chip's file."""
    timeout_s: float = field(default=0.0, init=False)
    """Nothing is waited for, s."""
    spoken: str = field(default="levels of pins", init=False)
    """For people: what is spoken on it."""

    @property
    def place(self) -> tuple[object, ...]:
        """What two links to one place have in common."""
        return (self.chip,)

    @property
    def reached_by(self) -> str:
        """For people: where it goes."""
        return self.chip


RtuLinkSpec = ModbusRtuLinkSpec | ModbusRtuTcpLinkSpec
"""Links with RTU frames."""
ModbusLinkSpec = ModbusTcpLinkSpec | RtuLinkSpec
"""Links that carry registers and coils."""
LinkSpec = ModbusLinkSpec | SerialTextLinkSpec | GpioLinkSpec
"""Any link."""


def transaction_s(link: LinkSpec) -> float | None:
    """What a read of two registers takes on the wire, s: request, silence, answer, silence.

    What a device takes to answer beyond that silence, and an adapter to pass it on, comes on top (common practice: 5 to
    50 ms, and up to 16 ms).

    Args:
        link: the link.

    Returns:
        The time; None for a link whose wire is not known here: TCP, and text.
    """
    if not isinstance(link, ModbusRtuLinkSpec):
        return None
    serial = link.serial
    return (_REQUEST_CHARS + _ANSWER_CHARS) * serial.char_s + 2.0 * serial.gap_s + link.turn_round_s
