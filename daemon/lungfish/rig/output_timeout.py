"""The output time-out of a simulated I/O block: without a request for so long it shuts its valves by itself."""

from __future__ import annotations

from collections.abc import Sequence

from lungfish.config import ValveSpec

__all__ = ["OutputTimeout"]


class OutputTimeout:
    """The time-outs of all outputs, each as its valve's `module_timeout` says; one without that holds for ever.

    A block counts from the last request to its own unit, whoever it comes from and whatever it asks.

    Args:
        valves: where each is driven from.
        now_s: monotonic time, s.
    """

    def __init__(self, valves: Sequence[ValveSpec], now_s: float) -> None:
        self._heard_s = {(spec.link, spec.unit): now_s for spec in valves}
        self._valves = valves

    def heard(self, link: str, unit: int, now_s: float) -> None:
        """A request has come.

        Args:
            link: over which link.
            unit: to which Modbus unit.
            now_s: monotonic time, s.
        """
        if (link, unit) in self._heard_s:
            self._heard_s[link, unit] = now_s

    def over(self, spec: ValveSpec, now_s: float) -> bool:
        """Whether a valve's output has been taken back.

        Args:
            spec: one of the valves.
            now_s: monotonic time, s.
        """
        timeout_s = spec.module_timeout_s
        return timeout_s is not None and now_s - self._heard_s[spec.link, spec.unit] >= timeout_s
