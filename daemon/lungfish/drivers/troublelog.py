"""Log lines about trouble that lasts: said once, then at most once a minute with a count, and once when it is over."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["TroubleLog"]

_REPEAT_S = 60.0


@dataclass(slots=True)
class _Trouble:
    said_at_s: float
    kept_back: int = 0
    end_said: bool = False


class TroubleLog:
    """Rate-limited warnings, one voice for each subject; one that comes and goes says two lines a minute at most.

    Args:
        log: Where the lines go.
        now: Monotonic clock, s.
    """

    def __init__(self, log: logging.Logger, now: Callable[[], float]) -> None:
        self._log = log
        self._now = now
        self._troubles: dict[str, _Trouble] = {}

    def trouble(self, subject: str, text: str) -> None:
        """Something about this subject does not work."""
        now_s = self._now()
        known = self._troubles.get(subject)
        if known is not None and now_s - known.said_at_s < _REPEAT_S:
            known.kept_back += 1
            return
        if known is not None and known.kept_back:
            text = f"{text} (and {known.kept_back} more troubles since the last line about it)"
        self._troubles[subject] = _Trouble(now_s)
        self._log.warning("%s", text)

    def well(self, subject: str) -> None:
        """It works; told once after a trouble that was told."""
        known = self._troubles.get(subject) if self._troubles else None
        if known is not None and not known.end_said:
            known.end_said = True
            self._log.info("%s: works again", subject)
