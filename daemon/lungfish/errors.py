"""The error tree. A condition of the process (a plugged tube) is never an exception: it is a diagnosis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

__all__ = [
    "ConfigError",
    "DeviceAbsent",
    "DeviceError",
    "DeviceGarbled",
    "DeviceRefused",
    "DeviceTimeout",
    "IllegalEvent",
    "InstallError",
    "LungfishError",
    "Problem",
    "StoreBusy",
    "StoreError",
]


class LungfishError(Exception):
    """Anything that lungfish itself raises on purpose."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong, or unwise, in a site file."""

    line: int | None
    """Line in the file, from 1; None when it concerns the file as a whole."""
    key: str
    """Dotted path of the key, such as `tanks.sump.tube.bore`; empty when there is none."""
    wrong: str
    """What was wrong."""
    right: str
    """What would be right."""

    def told(self, file: str) -> str:
        """The problem on one line: `FILE:LINE: key: what was wrong; what would be right`.

        Args:
            file: name of the file, as the user gave it.
        """
        place = file if self.line is None else f"{file}:{self.line}"
        told = ": ".join(part for part in (place, self.key, f"{self.wrong}; {self.right}") if part)
        # A file can hold escapes that would move a terminal's cursor or forge a second line of a log.
        return "".join(sign if sign.isprintable() else f"\\u{ord(sign):04x}" for sign in told)


class ConfigError(LungfishError):
    """The site file is wrong: a typo, a missing unit, a tank whose numbers contradict each other.

    Carries every problem found, each with line, key, what was wrong and what would be right. Remedy: edit the
    file and run `lungfish check` until it is silent.
    """

    def __init__(self, file: str, problems: Sequence[Problem]) -> None:
        """Name the file and everything that is wrong in it.

        Args:
            file: name of the file, as the user gave it.
            problems: at least one.
        """
        self.file = file
        self.problems = tuple(problems)
        super().__init__("\n".join(problem.told(file) for problem in self.problems))


class DeviceError(LungfishError):
    """A device did not do what was asked. Raised by drivers only; the runner turns it into an event."""


class DeviceAbsent(DeviceError):
    """No connection: host down, port closed, cable out. Remedy: look at power, cable, address."""


class DeviceTimeout(DeviceError):
    """Connected, but no answer in time: unit id wrong, device busy, line noise. Remedy: unit id, `timeout`."""


class DeviceGarbled(DeviceError):
    """An answer that is not one to this request: wrong unit, function, count or echo. Remedy: wiring, gateway."""


class DeviceRefused(DeviceError):
    """The device answered with an exception: no such register, not writable. Remedy: address, register table."""


class DeviceDisagrees(DeviceRefused):
    """A valve's output follows its command and its limit switch says otherwise. Remedy: look at valve and switch."""


class StoreError(LungfishError):
    """The store can't be read or written: disk full, read-only, not a lungfish store. Remedy: space, rights."""


class StoreBusy(StoreError):
    """Another lungfish holds this store. Remedy: stop the other one; two would fight over the valves."""


class IllegalEvent(LungfishError):
    """An event that the cycle's table does not list for its state: a bug of ours. The state is unchanged."""


class InstallError(LungfishError):
    """The service can't be installed or removed. The message says what stands in the way: put that right."""
