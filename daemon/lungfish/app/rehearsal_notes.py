"""What a rehearsal notes of one way of reading a tank: the level that is shown against the truth, and alarm delays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from lungfish.rig.filling import LevelTrack, Stay

__all__ = ["AlarmSeen", "ErrorMeter", "Shown"]

_LOOK_EVERY_S = 10.0
"""The shown level is compared with the truth this often."""
_BIN_M = 1e-4
_MOST_BINS = 1_000_000


class ErrorMeter:
    """The error of a level that stands until the next one comes, sampled every ten seconds.

    Args:
        track: the truth; not shared.
    """

    def __init__(self, track: LevelTrack) -> None:
        self._track = track
        self._shown_m: float | None = None
        self._next_s = 0.0
        self._bins: dict[int, int] = {}
        self._known = 0
        self.unknown_s = 0.0
        """How long no level was shown, s."""
        self.worst_m: float | None = None
        """Largest error, m; None: no level was ever shown."""

    def show(self, at_s: float, level_m: float | None) -> None:
        """From now on this is shown.

        Args:
            at_s: when, s; not before the last call.
            level_m: level above the floor, m; None: it is not known.
        """
        self.up_to(at_s)
        self._shown_m = level_m

    def up_to(self, at_s: float) -> None:
        """Compare up to a moment, what is shown staying as it is."""
        shown_m, track = self._shown_m, self._track
        while self._next_s <= at_s:
            if shown_m is None:
                self.unknown_s += _LOOK_EVERY_S
            else:
                error_m = abs(track(self._next_s) - shown_m)
                self._known += 1
                if self.worst_m is None or error_m > self.worst_m:
                    self.worst_m = error_m
                place = min(_MOST_BINS, int(error_m / _BIN_M))
                self._bins[place] = self._bins.get(place, 0) + 1
            self._next_s += _LOOK_EVERY_S

    def quantile_m(self, share: float) -> float | None:
        """The error that so large a share of the samples does not exceed, to 0.1 mm, m; None: there are none."""
        if not self._known:
            return None
        wanted, below = share * self._known, 0
        for place in sorted(self._bins):
            below += self._bins[place]
            if below >= wanted:
                return (place + 1) * _BIN_M
        return self.worst_m


@dataclass(frozen=True, slots=True)
class Shown:
    """A level that came to be known."""

    at_s: float
    """When it came to be known, s."""
    true_at_s: float
    """The moment that it is true for, s."""
    level_m: float
    """Level above the floor, m."""


@dataclass(slots=True)
class AlarmSeen:
    """How long after the true level passed a limit somebody was told of it.

    A level that had passed and fallen below again before it was seen was missed.
    """

    limit_m: float
    """The limit, m."""
    stays: Sequence[Stay]
    """When the true level was at it or above."""
    delays_s: list[float] = field(default_factory=list)
    """Of those that were seen, in their order, s."""
    missed: int = 0
    """How many were never seen."""
    _next: int = 0

    def take(self, shown: Shown) -> None:
        """Take in a level, in the order of `at_s`."""
        while self._next < len(self.stays):
            stay = self.stays[self._next]
            if stay.to_s <= shown.true_at_s:
                self.missed += 1
            elif stay.from_s <= shown.true_at_s and shown.level_m >= self.limit_m:
                self.delays_s.append(shown.at_s - stay.from_s)
            else:
                return
            self._next += 1

    def end(self, at_s: float) -> None:
        """No further level comes: what was passed and not seen was missed; what comes later is not counted."""
        rest = self.stays[self._next :]
        self.missed += sum(stay.from_s <= at_s for stay in rest)
        self._next = len(self.stays)
