"""Telling the service manager: datagrams to the socket that it names (sd_notify(3)). Without one, nothing happens."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

__all__ = ["ServiceManager"]


class ServiceManager:
    """The service manager's socket.

    Args:
        environment: where `NOTIFY_SOCKET`, `WATCHDOG_USEC` and `WATCHDOG_PID` are looked up.
    """

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self.watchdog_s = _watchdog_s(environment) if self._address else None
        """Longest time between two signs of life, s; None when no watchdog is set for this process."""

    def tell(self, state: str) -> None:
        """Send one state, such as `READY=1`; a manager that does not listen is no reason to stop measuring.

        Args:
            state: lines of `NAME=VALUE`.
        """
        if not self._address:
            return
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
            sock.setblocking(False)
            try:
                sock.sendto(state.encode(), self._address)
            except OSError:
                return


def _watchdog_s(environment: Mapping[str, str]) -> float | None:
    """sd_watchdog_enabled(3): set for us only if the process id is ours or not given."""
    micros, pid = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
    if not micros.isdecimal() or int(micros) == 0 or (pid and pid != str(os.getpid())):
        return None
    return int(micros) / 1e6
