"""A serial port with one owner, in the event loop: bytes in as they come, bytes out whole, loss told once.

pyserial opens, locks and sets the port up. Reading and writing go past it: its own read and write would wait in the
event loop, and once an adapter has been pulled out its reader fails again and again without end.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import fcntl
import os
import select
import termios
from collections.abc import Callable
from typing import TYPE_CHECKING

from lungfish.config.link_model import Parity, SerialSettings
from lungfish.drivers.patience import Backoff
from lungfish.errors import DeviceAbsent

if TYPE_CHECKING:
    from serial import Serial

__all__ = ["SerialPort"]

_CHUNK = 4096
_WRITE_WITHIN_S = 2.0
"""Longest wait for room in the port's buffer, s; a line that is not held up takes a frame of 256 bytes at once."""
_TURN_WITHIN_S = 2.0
_LOOK_AGAIN_S = 0.005
_GONE = select.POLLHUP | select.POLLERR | select.POLLNVAL
_REMEDIES = {
    errno.ENOENT: "there is no such port; look at the adapter and its cable",
    errno.ENODEV: "there is no device behind that port; look at the adapter and its cable",
    errno.ENXIO: "there is no device behind that port; look at the adapter and its cable",
    errno.EACCES: "no right to use it; the user that lungfish runs as must be in the port's group, such as `dialout`",
    errno.EPERM: "no right to use it; the user that lungfish runs as must be in the port's group, such as `dialout`",
    errno.EAGAIN: "another program holds it; two would talk at once",
    errno.EBUSY: "another program holds it; two would talk at once",
    errno.ENOTTY: "that is no serial port",
    errno.EINVAL: "it can't be set that way; look at baud, parity and stop bits",
}


class SerialPort:
    """Implements `lungfish.drivers.byte_pipe.BytePipe`.

    The port is locked (flock): a second owner is refused. The lock goes with the process, whatever ends it. A shared
    port is locked for each turn only, so that another process of ours can shut a valve between two turns of a living
    daemon; what arrives out of turn is left in the port, for whoever has the next one.

    Args:
        label: what messages call the link.
        settings: the port, and how characters stand on its line.
        now: monotonic clock, s.
        shared: locked by turns; else from `open` to `close`.
    """

    def __init__(self, label: str, settings: SerialSettings, now: Callable[[], float], *, shared: bool = False) -> None:
        self.may_be_half_open = False
        """A port that has gone says so."""
        self.on_bytes: Callable[[bytes], None] = _ignore
        """Called in the event loop with each piece that arrives."""
        self.on_lost: Callable[[str], None] = _ignore
        """Called in the event loop, once, when the port has gone; told why."""
        self._label = label
        self._settings = settings
        self._now = now
        self._shared = shared
        self._backoff = Backoff()
        self._serial: Serial | None = None
        self._fd = -1

    @property
    def is_open(self) -> bool:
        """Whether it is open, as far as is known."""
        return self._serial is not None

    async def open(self) -> None:
        """Open, lock and set up the port. An adapter can take its time over that, so a thread waits for it.

        Raises:
            DeviceAbsent: It can't be opened; or it is too soon after the last failure.
        """
        if self._serial is not None:
            return
        wait_s = self._backoff.next_at_s - self._now()
        if wait_s > 0.0:
            raise DeviceAbsent(f"{self._label}: not open; next attempt in {wait_s:.1f} s")
        loop = asyncio.get_running_loop()
        opening = loop.run_in_executor(None, _open, self._settings, not self._shared)
        try:
            self._serial = await asyncio.shield(opening)
        except asyncio.CancelledError:
            opening.add_done_callback(_close_unwanted)
            raise
        except (OSError, ValueError, termios.error) as error:  # SerialException is an OSError
            self._backoff.failed(self._now())
            raise DeviceAbsent(f"{self._label}: {_REMEDIES.get(_number(error), str(error))}") from error
        self._fd = self._serial.fileno()
        if not self._shared:
            loop.add_reader(self._fd, self._readable)

    async def take_turn(self) -> None:
        """Have a shared port alone until `end_turn`, and tell what has arrived meanwhile.

        Raises:
            DeviceAbsent: It is not open, or another program does not give it back within 2 s.
        """
        if not self._shared:
            return
        until_s = self._now() + _TURN_WITHIN_S
        while self._serial is not None:
            try:
                fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                if self._now() >= until_s:
                    raise DeviceAbsent(f"{self._label}: {_REMEDIES[errno.EBUSY]}") from error
                await asyncio.sleep(_LOOK_AGAIN_S)
                continue
            self._readable()
            if self._serial is not None:
                asyncio.get_running_loop().add_reader(self._fd, self._readable)
                return
        raise DeviceAbsent(f"{self._label}: the port is not open, or has gone")

    def end_turn(self) -> None:
        """Let others have a shared port."""
        if self._shared and self._serial is not None:
            asyncio.get_running_loop().remove_reader(self._fd)
            fcntl.flock(self._fd, fcntl.LOCK_UN)

    async def write(self, data: bytes) -> None:
        """Hand all bytes to the port; they go out one after the other at the line's own pace.

        Raises:
            DeviceAbsent: It is not open, has gone, or takes nothing for 2 s.
        """
        left = memoryview(data)
        while self._serial is not None:
            try:
                left = left[os.write(self._fd, left) :]
            except BlockingIOError:
                pass  # its buffer is full
            except OSError as error:
                self._lose(f"writing failed ({error.strerror})")
                break
            if not left:
                return
            await self._room()
        raise DeviceAbsent(f"{self._label}: the port is not open, or has gone")

    async def _room(self) -> None:
        loop = asyncio.get_running_loop()
        writable = asyncio.Event()
        fd = self._fd
        loop.add_writer(fd, writable.set)
        try:
            async with asyncio.timeout(_WRITE_WITHIN_S):
                await writable.wait()
        except TimeoutError as error:
            raise DeviceAbsent(f"{self._label}: the port takes no bytes; look at the adapter") from error
        finally:
            loop.remove_writer(fd)

    def discard(self) -> None:
        """Throw away what the port has received and was not yet told."""
        if self._serial is not None:
            try:
                termios.tcflush(self._fd, termios.TCIFLUSH)
            except (OSError, termios.error) as error:
                self._lose(f"it does not answer ({error})")

    def answered(self) -> None:
        """Something sensible came: the next failure is the first again."""
        self._backoff.succeeded()

    def close(self) -> None:
        """Close it and let go of its lock; `on_lost` is not called."""
        serial, self._serial = self._serial, None
        if serial is not None:
            asyncio.get_running_loop().remove_reader(self._fd)
            _close(serial)
            self._fd = -1

    def _readable(self) -> None:
        try:
            data = os.read(self._fd, _CHUNK)
        except BlockingIOError:
            return
        except OSError as error:
            self._lose(f"reading failed ({error.strerror})")
            return
        if data:
            self.on_bytes(data)
            return
        # no bytes: what made it readable has been thrown away meanwhile, or there is nobody any more
        poll = select.poll()
        poll.register(self._fd, select.POLLIN)
        if any(events & _GONE for _, events in poll.poll(0)):
            self._lose("it was hung up; look at the adapter and its cable")

    def _lose(self, why: str) -> None:
        self._backoff.failed(self._now())
        self.close()
        self.on_lost(f"the port has gone: {why}")


def _open(settings: SerialSettings, exclusive: bool) -> Serial:
    import serial

    parity = {Parity.NONE: serial.PARITY_NONE, Parity.EVEN: serial.PARITY_EVEN, Parity.ODD: serial.PARITY_ODD}
    return serial.Serial(
        settings.port,
        settings.baud,
        bytesize=settings.data_bits,
        parity=parity[settings.parity],
        stopbits=settings.stop_bits,
        timeout=0,
        exclusive=exclusive,
    )


def _number(error: BaseException | None) -> int:
    """The operating system's number of an error, which pyserial may have wrapped; 0 without one."""
    while error is not None:
        if error.args and isinstance(error.args[0], int):
            return error.args[0]
        error = error.__context__
    return 0


def _close(serial: Serial) -> None:
    with contextlib.suppress(OSError, termios.error):  # when it has gone already there is nothing left to close
        serial.close()


def _close_unwanted(opening: asyncio.Future[Serial]) -> None:
    if not opening.cancelled() and opening.exception() is None:
        _close(opening.result())


def _ignore(_: object) -> None:
    pass
