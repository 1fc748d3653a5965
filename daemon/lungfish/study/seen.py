"""What a kept cycle saw in its trace: when the valve moved, when the first bubble left, plateau and shut-in."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from lungfish.core.reading import Phase
from lungfish.ports import TracePoint
from lungfish.study.picture import Frame, Mark, draw

__all__ = ["Limit", "Seen", "answer_of", "number_of", "pictures", "seen_of"]

_LEAST_RANGE_PA = 20.0
_KNEE_LEAST_S = 0.1
"""A rise that ends so shortly before closing was not seen to end."""
_HEADROOM = 0.06
_CLOSING_S = (2.0, 5.0)
"""The enlarged part: so long before and after closing."""
_LIKE = 0.35
"""When the enlarged part takes up this share of the whole, it is not drawn apart."""
_BETWEEN = 3
"""Columns between two pictures side by side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A pressure that ended a cycle."""

    letter: str
    """In the picture."""
    gauge_pa: float
    """At the transmitter, Pa."""
    text: str
    """What it is, for the legend."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Moments in s after the cycle's start, pressures in Pa gauge at the transmitter."""

    opened_s: float | None = None
    """The valve opened, by its read-back; None: it did not, or nobody knows when."""
    knee_s: float | None = None
    """The rise ended: the first bubble left the tip, if the verdicts say so; None: it was not seen to end."""
    full: bool = False
    """There was no rise: the tube was full already, or nothing came."""
    plateau_pa: float | None = None
    """Pressure while bubbling, at the moment of closing."""
    shut_s: float | None = None
    """The valve shut, by its read-back; None when not known."""
    shut_in_pa: float | None = None
    """Pressure after closing, gone back to the moment of closing."""
    broken_off_s: float | None = None
    """Last sample of a cycle that came to no shut-in; None for one that did."""
    broken_off_pa: float | None = None
    """What that sample was."""

    def marks(self) -> list[Mark]:
        """Letters for the picture, only for what was seen."""
        marks = []
        if self.opened_s is not None:
            marks.append(Mark(letter="A", t_s=self.opened_s))
        if self.knee_s is not None:
            marks.append(Mark(letter="B", t_s=self.knee_s))
        if self.shut_s is not None:
            if self.plateau_pa is not None:
                begin_s = max(self.knee_s or 0.0, self.shut_s - 0.5)
                marks.append(Mark(letter="C", t_s=begin_s, gauge_pa=self.plateau_pa))
            marks.append(Mark(letter="D", t_s=self.shut_s))
            if self.shut_in_pa is not None:
                marks.append(Mark(letter="E", t_s=self.shut_s, gauge_pa=self.shut_in_pa))
        if self.broken_off_s is not None:
            marks.append(Mark(letter="X", t_s=self.broken_off_s, gauge_pa=self.broken_off_pa))
        return marks

    def legend(self) -> list[str]:
        """What each letter of the picture means, with its number."""
        told = []
        if self.opened_s is not None:
            told.append(f"A valve opened, {self.opened_s:.2f} s")
        if self.knee_s is not None and self.opened_s is not None:
            told.append(f"B knee: the rise ends, {self.knee_s - self.opened_s:.2f} s after A")
        elif self.full:
            told.append("no knee: no rise beyond friction")
        elif self.shut_s is not None:
            told.append("no knee seen")
        if self.shut_s is not None:
            if self.plateau_pa is not None:
                told.append(f"C plateau, {self.plateau_pa:.1f} Pa")
            told.append(f"D valve shut, {self.shut_s:.2f} s")
            if self.shut_in_pa is not None:
                told.append(f"E shut-in gone back to closing, {self.shut_in_pa:.1f} Pa")
        if self.broken_off_s is not None:
            value = "" if self.broken_off_pa is None else f" at {self.broken_off_pa:.1f} Pa"
            told.append(f"X ended here{value}, {self.broken_off_s:.2f} s")
        return told


def number_of(evidence: Mapping[str, object], name: str) -> float | None:
    """A feature as it was kept; None when this cycle could not tell.

    Args:
        evidence: of a reading.
        name: of the feature.
    """
    features = evidence.get("features")
    value = features.get(name) if isinstance(features, Mapping) else None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


def answer_of(evidence: Mapping[str, object], name: str) -> bool | None:
    """A feature that is yes or no; None when this cycle could not tell.

    Args:
        evidence: of a reading.
        name: of the feature.
    """
    features = evidence.get("features")
    value = features.get(name) if isinstance(features, Mapping) else None
    return value if isinstance(value, bool) else None


def seen_of(points: Sequence[TracePoint], evidence: Mapping[str, object]) -> Seen:
    """Put together what a kept cycle saw.

    Args:
        points: its trace, in the order of time; may be empty.
        evidence: as kept with the reading.
    """
    opened_s = next(_valve_seen(evidence, "open"), None)
    shut_s = next((t for t in _valve_seen(evidence, "shut") if opened_s is not None and t >= opened_s), None)
    if opened_s is None:
        opened_s = next((p.t_s for p in points if p.phase in (Phase.FILL, Phase.HOLD)), None)
    if shut_s is None:
        shut_s = next((p.t_s for p in points if p.phase is Phase.SHUT_IN), None)
    fill_s, shut_in_pa = number_of(evidence, "fill_s"), number_of(evidence, "shut_in_pa")
    last = points[-1] if points and shut_in_pa is None else None
    knee_s = None if opened_s is None or not fill_s else opened_s + fill_s
    if knee_s is not None and shut_s is not None and knee_s > shut_s - _KNEE_LEAST_S:
        knee_s = None  # the rise went on to the end
    return Seen(
        opened_s=opened_s,
        knee_s=knee_s,
        full=fill_s == 0.0,
        plateau_pa=number_of(evidence, "plateau_pa"),
        shut_s=shut_s,
        shut_in_pa=shut_in_pa,
        broken_off_s=None if last is None else last.t_s,
        broken_off_pa=None if last is None else last.gauge_pa,
    )


def pictures(
    points: Sequence[TracePoint], seen: Seen, *, columns: int, rows: int, unicode: bool, limits: Sequence[Limit] = ()
) -> list[str]:
    """The whole cycle, and beside it its closing enlarged when the whole hides it.

    Args:
        points: the trace; at least one point.
        seen: what to mark.
        columns: width of all, axes included, characters; at least 60.
        rows: height of the picture itself.
        unicode: False: ASCII alone.
        limits: pressures that ended the cycle; the picture reaches to them.
    """
    lines_pa = [limit.gauge_pa for limit in limits]
    whole = _whole(points, lines_pa)
    at_left = [Mark(letter=limit.letter, t_s=whole[0], gauge_pa=limit.gauge_pa) for limit in limits]
    marks = [*seen.marks(), *at_left]
    closing = _closing(points, seen)
    axis = 8
    if closing is None or closing[3] - closing[2] > _LIKE * (whole[3] - whole[2]):
        return draw(points, marks, _frame(whole, columns - axis, rows, unicode), lines_pa)
    each = (columns - _BETWEEN) // 2 - axis
    left = draw(points, marks, _frame(whole, each, rows, unicode))
    right = draw(points, marks, _frame(closing, each, rows, unicode))
    lines = [f"{'the whole cycle':<{len(left[0]) + _BETWEEN}}its closing, enlarged"]
    return lines + [f"{a}{' ' * _BETWEEN}{b}" for a, b in zip(left, right, strict=True)]


_Bounds = tuple[float, float, float, float]
"""From and to in s, low and high in Pa."""


def _frame(bounds: _Bounds, columns: int, rows: int, unicode: bool) -> Frame:
    from_s, to_s, low_pa, high_pa = bounds
    return Frame(from_s=from_s, to_s=to_s, low_pa=low_pa, high_pa=high_pa, columns=columns, rows=rows, unicode=unicode)


def _whole(points: Sequence[TracePoint], lines_pa: Sequence[float]) -> _Bounds:
    from_s, to_s = points[0].t_s, points[-1].t_s
    return min(0.0, from_s), max(to_s, from_s + 0.1), *_range([*(p.gauge_pa for p in points), *lines_pa])


def _closing(points: Sequence[TracePoint], seen: Seen) -> _Bounds | None:
    """About the moment of closing; None when there was none to look at."""
    if seen.shut_s is None or seen.shut_in_pa is None or seen.plateau_pa is None:
        return None
    before_s, after_s = _CLOSING_S
    from_s = max(seen.knee_s or 0.0, seen.shut_s - before_s)
    near = [p for p in points if from_s <= p.t_s <= seen.shut_s + after_s]
    if len(near) < 2 or near[-1].t_s <= from_s:
        return None
    values = [p.gauge_pa for p in near if p.phase is not Phase.FILL]
    return from_s, near[-1].t_s, *_range([*values, seen.plateau_pa, seen.shut_in_pa])


def _range(values: Sequence[float]) -> tuple[float, float]:
    """Lowest and highest pressure of a picture: all values inside, never so near that noise fills it."""
    known = [value for value in values if math.isfinite(value)] or [0.0]
    low, high = min(known), max(known)
    spread = max(high - low, _LEAST_RANGE_PA)
    middle = (low + high) / 2.0
    return middle - (0.5 + _HEADROOM) * spread, middle + (0.5 + _HEADROOM) * spread


def _valve_seen(evidence: Mapping[str, object], state: str) -> Iterator[float]:
    """Moments at which the valve was read back so, s after the cycle's start."""
    events = evidence.get("events")
    for event in events if isinstance(events, Sequence) else ():
        match event:
            case ["ValveSeen", float() | int() as t_s, str() as seen] if seen == state:
                yield float(t_s)
            case _:
                pass
