"""The list of valves that the daemon leaves where its service manager finds it, and shutting what stands in it.

After a death of the daemon every tenth of a second counts. Reading a site file and loading what that takes lasts a
second and more on a small computer; this list needs neither. It is also what the daemon has truly driven, whatever the
site file says by now. Standard library only, and nothing here may import what loads slowly.

The frames on TCP are those of Modbus Messaging on TCP/IP, V1.0b, and the Modbus Application Protocol, V1.1b3.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import struct
import sys
import threading
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from lungfish.drivers.line_now import SerialNow, SerialWay, TcpNow, ask
from lungfish.drivers.messages import Function, Request
from lungfish.drivers.relay_now import RelayNow, shut_relay
from lungfish.drivers.rtu_frame import request_frame

__all__ = ["RELEASE", "KeptValve", "TlsWay", "command", "keep", "kept_in", "place_for", "shut_kept", "wait_for_a_death"]

RELEASE = b"."
"""What the daemon says before it ends in good order: nothing is left for us to do."""

_FILE = "valves.json"
_HEADER = struct.Struct(">HHHB")
_TRIES = 3
_MOST_REPLY_BYTES = 260


@dataclass(frozen=True, slots=True, kw_only=True)
class TlsWay:
    """How a connection is secured; files in PEM format."""

    ca: str | None
    """Certificates that the device's own must be signed by; None: those that the system trusts."""
    certificate: str | None
    """Our own certificate; None: none is shown."""
    key: str | None
    """Its private key; None: in `certificate`."""
    server_name: str
    """The name that the device's certificate must hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptValve:
    """One output, and what shuts the valve."""

    called: str
    """What the valve is called."""
    host: str = ""
    """Host name or address of the I/O block or the device server; empty for a serial port."""
    port: int = 0
    """TCP port; 0 for a serial port."""
    timeout_s: float
    """Longest wait for a connection and for each answer, s."""
    unit: int
    """Modbus unit id."""
    coil: bool
    """A coil; else a holding register."""
    address: int
    """0-based address."""
    shut_value: int
    """What is written to shut it; for a bit 0 or 1."""
    bit: int | None = None
    """Which bit of the register; None: all of it."""
    mask: bool = False
    """The device changes the bit by itself (function 22)."""
    rtu: bool = False
    """RTU frames, on `serial` or over TCP; else Modbus TCP."""
    serial: SerialWay | None = None
    """The serial port; None: TCP."""
    gap_s: float = 0.0
    """Silence kept before each RTU request over TCP, s."""
    tls: TlsWay | None = None
    """How Modbus TCP is secured; None: not."""
    relay: RelayNow | None = None
    """What is said to a relay board on `serial`; None: Modbus is spoken."""

    @property
    def place(self) -> str:
        """What valves have in common that are reached one after the other."""
        if self.serial is not None:
            return self.serial.port
        register = self.called if self.bit is None else f"{self.unit} {self.address}"
        return f"{self.host}:{self.port}" + ("" if self.rtu else f" {register}")

    @property
    def look(self) -> Request:
        """What reads it."""
        function = Function.READ_COILS if self.coil else Function.READ_HOLDING
        return Request(function, self.unit, self.address, 1)

    @property
    def reads_first(self) -> bool:
        """Whether its register is read before it is written, for the bits that are not its own."""
        return self.bit is not None and not self.mask

    def order(self, register: int) -> Request:
        """What shuts it.

        Args:
            register: what was read just before; used when `reads_first`.
        """
        if self.coil:
            return Request(Function.WRITE_COIL, self.unit, self.address, int(bool(self.shut_value)))
        if self.bit is None:
            return Request(Function.WRITE_REGISTER, self.unit, self.address, self.shut_value)
        own = 1 << self.bit
        if self.mask:
            return Request(Function.MASK_WRITE, self.unit, self.address, (0xFFFF ^ own) << 16 | own * self.shut_value)
        return Request(Function.WRITE_REGISTER, self.unit, self.address, register & ~own | own * self.shut_value)

    def is_shut(self, value: int) -> bool:
        """Whether what was read back says so."""
        if self.coil:
            return value == int(bool(self.shut_value))
        return (value if self.bit is None else value >> self.bit & 1) == self.shut_value


def place_for(environment: Mapping[str, str]) -> Path | None:
    """Where a service manager wants such a list: in the run-time directory that it made; None without one.

    Args:
        environment: where `RUNTIME_DIRECTORY` is looked up, systemd.exec(5).
    """
    first = environment.get("RUNTIME_DIRECTORY", "").split(":")[0]
    return Path(first) / _FILE if first else None


def keep(file: Path, valves: Iterable[KeptValve], *, complete: bool) -> None:
    """Write the list, in one step, so that a death midway leaves the old one.

    Args:
        file: where it goes.
        valves: what stands in it.
        complete: whether that is every valve of the site.

    Raises:
        OSError: it can't be written.
    """
    text = json.dumps({"complete": complete, "valves": [asdict(valve) for valve in valves]})
    fresh = file.with_suffix(".new")
    fresh.write_text(text, encoding="utf-8")
    os.replace(fresh, file)


def kept_in(file: Path) -> tuple[list[KeptValve], bool]:
    """Read such a list.

    Args:
        file: where it is.

    Returns:
        The valves, and whether these are all of the site.

    Raises:
        OSError: it is not there, or can't be read.
        ValueError: it is no such list.
    """
    try:
        found = json.loads(file.read_text(encoding="utf-8"))
        return [_valve(each) for each in found["valves"]], found["complete"] is True
    except (KeyError, TypeError) as error:
        raise ValueError(f"{file} is no list of valves") from error


def _valve(kept: dict[str, Any]) -> KeptValve:
    serial, tls, relay = kept.get("serial"), kept.get("tls"), kept.get("relay")
    ways = {
        "serial": serial and SerialWay(**serial),
        "tls": tls and TlsWay(**tls),
        "relay": relay and RelayNow(**relay),
    }
    return KeptValve(**{**kept, **ways})


def shut_kept(valves: Iterable[KeptValve]) -> dict[str, str | None]:
    """Shut all of them, over connections of their own, and read each back: all at once, on a line one by one.

    Args:
        valves: what is to be shut.

    Returns:
        By what each is called: None when it reads back as shut, else what kept that from being confirmed.
    """
    outcome: dict[str, str | None] = {}

    def one(valve: KeptValve) -> None:
        trouble: str | None = "not tried"
        for _ in range(_TRIES):
            try:
                trouble = _shut(valve)
            except (OSError, ValueError, struct.error) as error:
                trouble = f"{valve.place}: {error}"
            if trouble is None:
                break
        outcome[valve.called] = trouble

    def in_turn(those: list[KeptValve]) -> None:
        for valve in those:
            one(valve)

    places: dict[str, list[KeptValve]] = {}
    for valve in valves:
        places.setdefault(valve.place, []).append(valve)
    threads = [threading.Thread(target=in_turn, args=(those,)) for those in places.values()]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return outcome


def _shut(valve: KeptValve) -> str | None:
    if valve.relay is not None and valve.serial is not None:
        return shut_relay(valve.serial, valve.relay, valve.timeout_s)
    return _shut_rtu(valve) if valve.rtu else _shut_tcp(valve)


def _shut_rtu(valve: KeptValve) -> str | None:
    """By RTU frames. What counts is what is read back, for a line may give back the command by itself."""
    read, timeout_s, way = valve.look, valve.timeout_s, valve.serial
    write = None if valve.reads_first else valve.order(0)
    with TcpNow(valve.host, valve.port, timeout_s, valve.gap_s) if way is None else SerialNow(way) as line:
        if write is None:
            # twice: the first answer may be one that the dead daemon was still waiting for, of another register
            ask(line, read, timeout_s, echoed=False, first=True)
            was = ask(line, read, timeout_s, echoed=False, first=False)
            if was.values is None:
                return "no answer" if was.exception is None else f"exception {was.exception}"
            write = valve.order(was.values[0])
        ask(line, write, timeout_s, echoed=False, first=not valve.reads_first)
        seen = ask(line, read, timeout_s, echoed=False, first=False)
        if seen.echo:  # so was the command, perhaps
            ask(line, write, timeout_s, echoed=True, first=False)
            seen = ask(line, read, timeout_s, echoed=True, first=False)
    if seen.values is not None:
        value = seen.values[0]
        return None if valve.is_shut(value) else f"it was told to shut and reads back otherwise: {value}"
    return "no answer" if seen.exception is None else f"exception {seen.exception}"


def _shut_tcp(valve: KeptValve) -> str | None:
    with _connected(valve) as connection:
        connection.settimeout(valve.timeout_s)
        number, was = 1, 0
        if valve.reads_first:
            was, number = _look(connection, number, valve), number + 1
        order = _pdu(valve.order(was))
        echo = _ask(connection, number, valve.unit, order)
        if echo != order:
            return f"the echo of the command is not the command: {echo.hex()}"
        seen = _look(connection, number + 1, valve)
    return None if valve.is_shut(seen) else f"it was told to shut and reads back otherwise: {seen}"


def _pdu(request: Request) -> bytes:
    """What a request is without unit and check sum."""
    return request_frame(request)[1:-2]


def _look(connection: socket.socket, number: int, valve: KeptValve) -> int:
    """Read the output, 0 or 1 for a coil.

    Raises:
        OSError: no answer.
        ValueError: not the answer to this request.
    """
    look = valve.look
    seen = _ask(connection, number, valve.unit, _pdu(look))
    size = 1 if valve.coil else 2
    if seen[:2] != bytes((look.function, size)) or len(seen) != 2 + size:
        raise ValueError(f"no answer to a look: {seen.hex()}")
    return seen[2] & 1 if valve.coil else int.from_bytes(seen[2:], "big")


def _connected(valve: KeptValve) -> socket.socket:
    """Connect, and have the device prove who it is where that is asked for.

    Raises:
        OSError: nobody there, or somebody else.
    """
    plain = socket.create_connection((valve.host, valve.port), timeout=valve.timeout_s)
    if valve.tls is None:
        return plain
    import ssl  # here: it takes its time, and few need it

    try:
        context = ssl.create_default_context(cafile=valve.tls.ca)
        if valve.tls.certificate is not None:
            context.load_cert_chain(valve.tls.certificate, valve.tls.key)
        return context.wrap_socket(plain, server_hostname=valve.tls.server_name)
    except BaseException:
        plain.close()
        raise


def _ask(connection: socket.socket, number: int, unit: int, pdu: bytes) -> bytes:
    """Send one request and wait for its own answer; an answer to anything else is a fault.

    Raises:
        OSError: no answer.
        ValueError: not the answer to this request.
    """
    connection.sendall(_HEADER.pack(number, 0, 1 + len(pdu), unit) + pdu)
    their_number, protocol, length, their_unit = _HEADER.unpack(_exactly(connection, _HEADER.size))
    if (their_number, protocol, their_unit) != (number, 0, unit) or not 2 <= length <= _MOST_REPLY_BYTES:
        raise ValueError("the answer belongs to another request")
    return _exactly(connection, length - 1)


def _exactly(connection: socket.socket, count: int) -> bytes:
    got = b""
    while len(got) < count:
        more = connection.recv(count - len(got))
        if not more:
            raise ConnectionError("the connection was closed before the answer")
        got += more
    return got


def command(file: Path) -> list[str]:
    """What starts `wait_for_a_death` as a process of its own: without site packages, which it does not need.

    Args:
        file: the list of valves.
    """
    program = (
        "import sys; sys.path.insert(0, sys.argv[1]); from pathlib import Path; "
        "from lungfish.drivers.kept_valves import wait_for_a_death; sys.exit(wait_for_a_death(Path(sys.argv[2])))"
    )
    return [sys.executable, "-I", "-S", "-c", program, str(Path(__file__).parents[2]), str(file)]


def wait_for_a_death(file: Path) -> int:
    """Run as a process of its own beside the daemon, with a pipe from it: when that breaks, shut every valve at once.

    It has read its list and loaded what it needs long before, so that it takes milliseconds. Signals that a service
    manager sends to all that is left of a service do not end it before that is done.

    Args:
        file: the list of valves.

    Returns:
        0 the daemon ended in good order, or all is confirmed shut; 3 not all.
    """
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGABRT):
        signal.signal(number, signal.SIG_IGN)
    valves, _ = kept_in(file)
    if any(valve.tls is not None for valve in valves):
        import ssl  # noqa: F401 - long before it is needed
    os.write(sys.stdout.fileno(), RELEASE)  # ready
    if os.read(sys.stdin.fileno(), 1) == RELEASE:
        return 0
    trouble = {called: why for called, why in shut_kept(valves).items() if why is not None}
    for called, why in trouble.items():
        print(f"{called}: not confirmed shut: {why}", file=sys.stderr)  # noqa: T201 - goes to the journal
    return 3 if trouble else 0
