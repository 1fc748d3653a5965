"""The guard: a thread that shuts any valve open past its limit, even when the event loop has stalled.

It shares nothing with the loop but a table of deadlines: its own thread, its own sockets. It can't help when the whole
process hangs or has died; that is what the service manager and the next start are for.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from lungfish.errors import DeviceError

__all__ = ["Guard"]

_MARGIN_S = 2.0
"""The cycle's own limit and the runner come first; the guard acts when both have failed."""
_RETRY_S = 1.0
_LONGEST_RETRY_S = 15.0
_STOP_WITHIN_S = 3.0


@dataclass(slots=True)
class _Armed:
    due_s: float
    """Monotonic time of the next try."""
    pause_s: float = _RETRY_S
    """Wait after it, if it is not confirmed."""


class Guard:
    """Watches every valve that may be open. Start it once; it ends with `stop`, or with the process.

    Args:
        shut: for each tank, shuts its valve over a connection of its own and reads it back; returns whether that
            was confirmed, raises DeviceError when there was no answer. Called in the guard's thread.
        acted: told of each try, with the tank and a sentence; called in the guard's thread.
        margin_s: how long past its limit a valve may be open before the guard acts, s.
        now: the monotonic clock that deadlines are counted on, s; the system's, as the event loop's is.
    """

    def __init__(
        self,
        shut: Mapping[str, Callable[[], bool]],
        acted: Callable[[str, str], None],
        *,
        margin_s: float = _MARGIN_S,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._shut = shut
        self._acted = acted
        self._margin_s = margin_s
        self._now = now
        self._changed = threading.Condition()
        self._armed: dict[str, _Armed] = {}
        self._stopping = False
        self._thread = threading.Thread(target=self._watch, name="guard", daemon=True)

    def start(self) -> None:
        """Begin to watch."""
        self._thread.start()

    def stop(self) -> None:
        """End the thread; what is still armed is watched no more. An act under way is not waited for long."""
        with self._changed:
            self._stopping = True
            self._changed.notify()
        if self._thread.is_alive():
            self._thread.join(_STOP_WITHIN_S)

    def arm(self, tank: str, until_s: float) -> None:
        """From now on this tank's valve may be open, until this monotonic moment."""
        with self._changed:
            self._armed[tank] = _Armed(until_s + self._margin_s)
            self._changed.notify()

    def disarm(self, tank: str) -> None:
        """This tank's valve is confirmed shut."""
        with self._changed:
            self._armed.pop(tank, None)

    def _watch(self) -> None:
        while (due := self._wait_for_due()) is not None:
            self._act(*due)

    def _wait_for_due(self) -> tuple[str, _Armed] | None:
        """The next valve that is open past its limit; None when told to stop."""
        with self._changed:
            while not self._stopping:
                wait_s = None
                if self._armed:
                    tank, armed = min(self._armed.items(), key=lambda item: item[1].due_s)
                    wait_s = armed.due_s - self._now()
                    if wait_s <= 0:
                        return tank, armed
                self._changed.wait(wait_s)
        return None

    def _act(self, tank: str, armed: _Armed) -> None:
        try:
            confirmed = self._shut[tank]()
            said = "it reads back as shut" if confirmed else "it does not read back as shut"
        except DeviceError as error:
            confirmed, said = False, str(error)
        with self._changed:
            if self._armed.get(tank) is armed:
                if confirmed:
                    del self._armed[tank]
                else:
                    armed.due_s = self._now() + armed.pause_s
                    armed.pause_s = min(2.0 * armed.pause_s, _LONGEST_RETRY_S)
        self._acted(tank, f"the guard shut the valve of {tank}, which was open past its limit: {said}")
