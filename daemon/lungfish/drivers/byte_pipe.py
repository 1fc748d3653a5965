"""What RTU frames and lines of text need of whatever carries their bytes: a serial port, or a TCP connection to one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

__all__ = ["BytePipe"]


class BytePipe(Protocol):
    """Bytes in and out, in order, with one owner. Nothing is connected before `open`."""

    may_be_half_open: bool
    """Whether it can seem open while nobody is there any more, so that a new one may help."""
    on_bytes: Callable[[bytes], None]
    """Called in the event loop with each piece that arrives."""
    on_lost: Callable[[str], None]
    """Called in the event loop, once, when the other side has gone; told why. The pipe is closed by then."""

    @property
    def is_open(self) -> bool:
        """Whether bytes can go through it now, as far as is known."""
        ...

    async def open(self) -> None:
        """Connect.

        Raises:
            DeviceAbsent: Nobody there; or too soon after the last failure.
        """
        ...

    async def take_turn(self) -> None:
        """Have the line alone until `end_turn`, and be told what has arrived meanwhile.

        Raises:
            DeviceAbsent: Somebody else does not give it back.
        """
        ...

    def end_turn(self) -> None:
        """Let others have the line."""
        ...

    async def write(self, data: bytes) -> None:
        """Hand over all of these bytes.

        Raises:
            DeviceAbsent: It is not open, or has gone, or takes nothing.
        """
        ...

    def discard(self) -> None:
        """Throw away what has arrived and was not yet told."""
        ...

    def answered(self) -> None:
        """To be called when something sensible came: the next failure is the first again."""
        ...

    def close(self) -> None:
        """Close it; `on_lost` is not called."""
        ...
