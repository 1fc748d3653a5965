"""The list of valves that the daemon leaves where its service manager finds it, and shutting what stands in it.

After a death of the daemon every tenth of a second counts. Reading a site file and loading what that takes lasts a
second and more on a small computer; this list needs neither. It is also what the daemon has truly driven, whatever the
site file says by now. Standard library only, and nothing here may import what loads slowly.

The frames are those of Modbus Messaging on TCP/IP, V1.0b, and the Modbus Application Protocol, V1.1b3.
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

__all__ = ["RELEASE", "KeptValve", "keep", "kept_in", "place_for", "shut_kept", "wait_for_a_death"]

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
    """One output behind Modbus TCP, and what shuts the valve."""

    called: str
    """What the valve is called."""
    host: str
    """Host name or address of the I/O block."""
    port: int
    """TCP port."""
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
        return [KeptValve(**each) for each in found["valves"]], found["complete"] is True
    except (KeyError, TypeError) as error:
        raise ValueError(f"{file} is no list of valves") from error


def shut_kept(valves: Iterable[KeptValve]) -> dict[str, str | None]:
    """Shut all of them at once, over connections of their own, and read each back.

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
                trouble = f"{valve.host}:{valve.port}: {error}"
            if trouble is None:
                break
        outcome[valve.called] = trouble

    threads = [threading.Thread(target=one, args=(valve,)) for valve in valves]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return outcome


def _shut(valve: KeptValve) -> str | None:
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


if __name__ == "__main__":
    sys.exit(wait_for_a_death(Path(sys.argv[1])))
