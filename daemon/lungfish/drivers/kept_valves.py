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

__all__ = ["RELEASE", "KeptValve", "command", "keep", "kept_in", "place_for", "shut_kept", "wait_for_a_death"]

RELEASE = b"."
"""What the daemon says before it ends in good order: nothing is left for us to do."""

_FILE = "valves.json"
_HEADER = struct.Struct(">HHHB")
_REQUEST = struct.Struct(">BHH")
_WRITE_COIL, _WRITE_REGISTER, _READ_COILS, _READ_HOLDING = 5, 6, 1, 3
_COIL_ON = 0xFF00
_TRIES = 3
_MOST_REPLY_BYTES = 260


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptValve:
    """One output behind Modbus, and what shuts the valve."""

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
    """What is written to shut it."""
    rtu: bool = False
    """RTU frames, on `serial` or over TCP; else Modbus TCP."""
    serial: SerialWay | None = None
    """The serial port; None: TCP."""
    gap_s: float = 0.0
    """Silence kept before each RTU request over TCP, s."""

    @property
    def place(self) -> str:
        """What valves have in common that are reached one after the other."""
        if self.serial is not None:
            return self.serial.port
        return f"{self.host}:{self.port}" + ("" if self.rtu else f" {self.called}")


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
    serial = kept.get("serial")
    return KeptValve(**{**kept, "serial": None if serial is None else SerialWay(**serial)})


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
    return _shut_rtu(valve) if valve.rtu else _shut_tcp(valve)


def _shut_rtu(valve: KeptValve) -> str | None:
    """By RTU frames. What counts is what is read back, for a line may give back the command by itself."""
    value = int(bool(valve.shut_value)) if valve.coil else valve.shut_value
    write = Request(Function.WRITE_COIL if valve.coil else Function.WRITE_REGISTER, valve.unit, valve.address, value)
    read = Request(Function.READ_COILS if valve.coil else Function.READ_HOLDING, valve.unit, valve.address, 1)
    timeout_s = valve.timeout_s
    way = valve.serial
    with TcpNow(valve.host, valve.port, timeout_s, valve.gap_s) if way is None else SerialNow(way) as line:
        ask(line, write, timeout_s, echoed=False, first=True)
        seen = ask(line, read, timeout_s, echoed=False, first=False)
        if seen.echo:  # so was the command, perhaps
            ask(line, write, timeout_s, echoed=True, first=False)
            seen = ask(line, read, timeout_s, echoed=True, first=False)
    if seen.values is not None:
        return None if seen.values == (value,) else f"it was told to shut and reads back otherwise: {seen.values[0]}"
    return "no answer" if seen.exception is None else f"exception {seen.exception}"


def _shut_tcp(valve: KeptValve) -> str | None:
    write, read = (_WRITE_COIL, _READ_COILS) if valve.coil else (_WRITE_REGISTER, _READ_HOLDING)
    value = _COIL_ON * bool(valve.shut_value) if valve.coil else valve.shut_value
    with socket.create_connection((valve.host, valve.port), timeout=valve.timeout_s) as connection:
        connection.settimeout(valve.timeout_s)
        echo = _ask(connection, 1, valve.unit, _REQUEST.pack(write, valve.address, value))
        if echo != _REQUEST.pack(write, valve.address, value):
            return f"the echo of the command is not the command: {echo.hex()}"
        seen = _ask(connection, 2, valve.unit, _REQUEST.pack(read, valve.address, 1))
    if valve.coil:
        function, count, bits = struct.unpack(">BBB", seen)
        as_told = (function, count, bits & 1) == (read, 1, int(bool(valve.shut_value)))
    else:
        as_told = struct.unpack(">BBH", seen) == (read, 2, valve.shut_value)
    return None if as_told else f"it was told to shut and reads back otherwise: {seen.hex()}"


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
    os.write(sys.stdout.fileno(), RELEASE)  # ready
    if os.read(sys.stdin.fileno(), 1) == RELEASE:
        return 0
    trouble = {called: why for called, why in shut_kept(valves).items() if why is not None}
    for called, why in trouble.items():
        print(f"{called}: not confirmed shut: {why}", file=sys.stderr)  # noqa: T201 - goes to the journal
    return 3 if trouble else 0
