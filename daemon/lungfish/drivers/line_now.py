"""A serial line, or a TCP connection to one, without an event loop: for whoever must shut a valve now.

Used beside a daemon that lives, stalls or has died. A line is shared by turns: each owner locks the port (flock) for
its turn, and the lock goes with the process, whatever ends it. Who still holds it after a second has stalled, as a
rule: then we go on without, for a stalled process neither speaks nor takes our answers away.

Standard library only, and nothing here may import what loads slowly: see `kept_valves`.
"""

from __future__ import annotations

import fcntl
import os
import select
import socket
import termios
import threading
import time
from collections import defaultdict
from dataclasses import dataclass
from types import TracebackType
from typing import Protocol, Self

from lungfish.drivers.messages import Request
from lungfish.drivers.rtu_frame import Heard, answer_bytes, hunt, request_frame

__all__ = ["Line", "SerialNow", "SerialWay", "TcpNow", "ask"]

_LOCK_WITHIN_S = 1.0
_LOOK_AGAIN_S = 0.0003
"""A living daemon lets go of a busy line for the silence between two frames, 1.75 ms or more."""
_CHUNK = 4096
_SETTLED_S, _SETTLE_WITHIN_S = 0.03, 0.3
"""Before the first request: silence that shows that nobody's answer is under way, and longest wait for it, s."""
_BAUDS = {int(name[1:]): getattr(termios, name) for name in dir(termios) if name.startswith("B") and name[1:].isdigit()}
_IN_PROCESS: defaultdict[str, threading.Lock] = defaultdict(threading.Lock)
"""One for each port: several threads of ours must not take each other for somebody stalled."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialWay:
    """A serial port and how characters stand on its line."""

    port: str
    """The port's file."""
    baud: int
    """Bits a second."""
    parity: str
    """`none`, `even` or `odd`."""
    stop_bits: int
    """1 or 2."""
    data_bits: int
    """7 or 8."""
    gap_s: float
    """Silence kept before each request, s."""

    @property
    def char_s(self) -> float:
        """Time of one character on the wire, s."""
        return (1 + self.data_bits + (self.parity != "none") + self.stop_bits) / self.baud


class Line(Protocol):
    """Bytes to and from a line, in the calling thread."""

    char_s: float
    """Time of one character on the wire, s; 0 where it is not known."""
    gap_s: float
    """Silence kept before each request, s."""

    def send(self, data: bytes) -> None:
        """Hand over all of these bytes.

        Raises:
            OSError: they can't be.
        """
        ...

    def receive(self, within_s: float) -> bytes:
        """What arrives first, or nothing within that time.

        Raises:
            OSError: the line has gone.
        """
        ...


class SerialNow:
    """A serial port for one turn: a context manager that opens, locks and sets it up, and lets go of it at the end.

    Args:
        way: the port.
    """

    def __init__(self, way: SerialWay) -> None:
        self.char_s = way.char_s
        """Time of one character on the wire, s."""
        self.gap_s = way.gap_s
        """Silence kept before each request, s."""
        self._way = way
        self._fd = -1

    def __enter__(self) -> Self:
        """Take a turn.

        Raises:
            OSError: The port can't be opened.
        """
        _IN_PROCESS[self._way.port].acquire()
        try:
            self._fd = os.open(self._way.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            try:
                self._lock()
                self._set_up()
            except BaseException:
                os.close(self._fd)
                raise
        except BaseException:
            _IN_PROCESS[self._way.port].release()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let go. Whoever is next must find the line silent."""
        pause(self.gap_s)
        os.close(self._fd)  # the lock goes with it
        _IN_PROCESS[self._way.port].release()

    def send(self, data: bytes) -> None:
        """Hand over all of these bytes.

        Raises:
            OSError: They can't be.
        """
        while data:
            _, writable, _ = select.select([], [self._fd], [], _LOCK_WITHIN_S)
            if not writable:
                raise OSError("the port takes no bytes")
            data = data[os.write(self._fd, data) :]

    def receive(self, within_s: float) -> bytes:
        """What arrives first, or nothing within that time.

        Raises:
            OSError: The port has gone.
        """
        readable, _, _ = select.select([self._fd], [], [], max(0.0, within_s))
        if not readable:
            return b""
        try:
            data = os.read(self._fd, _CHUNK)
        except BlockingIOError:
            return b""  # another, stalled or not, was quicker
        if not data:
            pause(0.002)  # hung up, or taken by another
        return data

    def _lock(self) -> None:
        until_s = time.monotonic() + _LOCK_WITHIN_S
        while time.monotonic() < until_s:
            try:
                fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                pause(_LOOK_AGAIN_S)
            else:
                return

    def _set_up(self) -> None:
        """Raw characters of this rate and form, as termios(3) has it; the same again does no harm.

        Raises:
            OSError: The port can't be set that way.
        """
        way = self._way
        try:
            shape = termios.CREAD | termios.CLOCAL | (termios.CS7 if way.data_bits == 7 else termios.CS8)
            shape |= termios.CSTOPB if way.stop_bits == 2 else 0
            if way.parity != "none":
                shape |= termios.PARENB | (termios.PARODD if way.parity == "odd" else 0)
            control = termios.tcgetattr(self._fd)[6]
            control[termios.VMIN] = control[termios.VTIME] = 0
            speed = _BAUDS[way.baud]
            termios.tcsetattr(self._fd, termios.TCSANOW, [0, 0, shape, 0, speed, speed, control])
            termios.tcflush(self._fd, termios.TCIFLUSH)
        except (termios.error, KeyError) as error:
            raise OSError(f"it can't be set to {way.baud} baud, parity {way.parity}") from error


class TcpNow:
    """A connection to a device server; a context manager.

    Args:
        host: host name or address.
        port: TCP port.
        timeout_s: longest wait for the connection, s.
        gap_s: silence kept before each request, s.
    """

    def __init__(self, host: str, port: int, timeout_s: float, gap_s: float) -> None:
        self.char_s = 0.0
        """Time of one character on the wire: not known."""
        self.gap_s = gap_s
        """Silence kept before each request, s."""
        self._address = (host, port)
        self._timeout_s = timeout_s

    def __enter__(self) -> Self:
        """Connect.

        Raises:
            OSError: Nobody there.
        """
        self._socket = socket.create_connection(self._address, timeout=self._timeout_s)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the connection."""
        self._socket.close()

    def send(self, data: bytes) -> None:
        """Hand over all of these bytes.

        Raises:
            OSError: They can't be.
        """
        self._socket.sendall(data)

    def receive(self, within_s: float) -> bytes:
        """What arrives first, or nothing within that time.

        Raises:
            OSError: The connection has gone.
        """
        self._socket.settimeout(max(0.001, within_s))
        try:
            data = self._socket.recv(_CHUNK)
        except TimeoutError:
            return b""
        if not data:
            raise ConnectionError("the connection was closed before the answer")
        return data


def ask(line: Line, request: Request, timeout_s: float, *, echoed: bool, first: bool) -> Heard:
    """Send one RTU request and wait for its answer.

    Args:
        line: where.
        request: what is asked.
        timeout_s: longest wait for the answer to begin, s.
        echoed: the line gives back what is sent.
        first: nothing is known of what is on the line: see that it is silent.

    Raises:
        OSError: the line has gone.
    """
    quiet_s = max(line.gap_s, _SETTLED_S) if first else line.gap_s
    until_s = time.monotonic() + _SETTLE_WITHIN_S
    while line.receive(quiet_s) and time.monotonic() < until_s:
        pass
    out = request_frame(request)
    line.send(out)
    until_s = time.monotonic() + timeout_s + (len(out) + answer_bytes(request)) * line.char_s
    received = b""
    while (left_s := until_s - time.monotonic()) > 0.0:
        received += line.receive(left_s)
        heard = hunt(request, received, echoed=echoed)
        if heard.answered:
            return heard
    return hunt(request, received, echoed=echoed)


def pause(for_s: float) -> None:
    """Wait; in this thread."""
    threading.Event().wait(for_s)
