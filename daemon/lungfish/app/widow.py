"""A small process beside the daemon that outlives it by as long as it takes to shut every valve.

It helps when the daemon is killed, or ended by the watchdog: within milliseconds, for it has nothing left to load. It
does not help when all processes of the service are killed at once, or the computer dies.
"""

from __future__ import annotations

import select
import subprocess
import threading
from collections.abc import Callable
from pathlib import Path

from lungfish.drivers import kept_valves

__all__ = ["Widow"]

_READY_WITHIN_S = 10.0
_END_WITHIN_S = 5.0
_AGAIN_AFTER_S = 5.0


class Widow:
    """That process, started again should it end.

    Args:
        file: the list of valves, which must be there.
        tell: told, in a thread, that it ended by itself or can't be started.
    """

    def __init__(self, file: Path, tell: Callable[[str], None]) -> None:
        self._file = file
        self._tell = tell
        self._ending = threading.Event()
        self._process: subprocess.Popen[bytes] | None = None
        self._thread = threading.Thread(target=self._keep, name="widow", daemon=True)

    def start(self) -> None:
        """Start it, and wait until it is ready: nothing is opened before."""
        self._begin()
        self._thread.start()

    def end(self) -> None:
        """Let it go: every valve has been looked after."""
        self._ending.set()
        process = self._process
        if process is not None and process.stdin is not None:
            try:
                process.stdin.write(kept_valves.RELEASE)
                process.stdin.close()
                process.wait(_END_WITHIN_S)
            except (OSError, subprocess.TimeoutExpired):
                process.kill()
        self._thread.join(_END_WITHIN_S)

    def _begin(self) -> None:
        try:
            self._process = process = subprocess.Popen(  # noqa: S603 - words of ours
                kept_valves.command(self._file),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                bufsize=0,
                start_new_session=True,
            )
        except OSError as error:
            self._process = None
            self._tell(f"the process that shuts every valve when this one dies can't be started: {error}")
            return
        assert process.stdout is not None  # noqa: S101 - for the type checker
        ready, _, _ = select.select([process.stdout], [], [], _READY_WITHIN_S)
        if not ready or process.stdout.read(1) != kept_valves.RELEASE:
            self._tell("the process that shuts every valve when this one dies does not get ready")

    def _keep(self) -> None:
        while not self._ending.is_set():
            if self._process is not None:
                self._process.wait()
                if self._ending.is_set():
                    return
                self._tell("the process that shuts every valve when this one dies has ended; it is started again")
            if not self._ending.wait(_AGAIN_AFTER_S):
                self._begin()
