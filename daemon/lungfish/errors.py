"""The error tree. A condition of the process (a plugged tube) is never an exception: it is a diagnosis."""

__all__ = [
    "ConfigError",
    "DeviceAbsent",
    "DeviceError",
    "DeviceGarbled",
    "DeviceRefused",
    "DeviceTimeout",
    "IllegalEvent",
    "LungfishError",
    "StoreBusy",
    "StoreError",
]


class LungfishError(Exception):
    """Anything that lungfish itself raises on purpose."""


class ConfigError(LungfishError):
    """The site file is wrong: a typo, a missing unit, a tank whose numbers contradict each other.

    Carries every problem found, each with line, key, what was wrong and what would be right. Remedy: edit the
    file and run `lungfish check` until it is silent.
    """


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


class StoreError(LungfishError):
    """The store can't be read or written: disk full, read-only, not a lungfish store. Remedy: space, rights."""


class StoreBusy(StoreError):
    """Another lungfish holds this store. Remedy: stop the other one; two would fight over the valves."""


class IllegalEvent(LungfishError):
    """An event that the cycle's table does not list for its state: a bug of ours. The state is unchanged."""
