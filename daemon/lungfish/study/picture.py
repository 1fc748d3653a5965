"""A pressure trace as a picture of characters: time to the right, pressure upwards, what was seen marked by letters.

Nothing rests on colour. With Unicode each character holds two by four dots (braille patterns, U+2800 to U+28FF);
without, one by three, written as `.`, `-` and `'`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby, pairwise
from statistics import median

from lungfish.ports import TracePoint

__all__ = ["Frame", "Mark", "draw", "nice_step", "sparkline"]

_BRAILLE = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
"""Bit of each dot, by row and column within a character (Unicode standard, block Braille Patterns)."""
_BLOCKS = "▁▂▃▄▅▆▇█"
_STEPS = (1.0, 2.0, 5.0, 10.0)
_GAP, _GAP_S = 6.0, (0.75, 3.0)
"""Samples further apart than so many usual distances are not joined, within bounds: nobody knows what was between."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Something that was seen, at its place in the picture."""

    letter: str
    """One character."""
    t_s: float
    """When, s after the cycle's start."""
    gauge_pa: float | None = None
    """At which pressure, Pa; None: a moment only, told above the picture with a line down through it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What part of a trace is drawn, and how large."""

    from_s: float
    """Left edge, s after the cycle's start."""
    to_s: float
    """Right edge, s; greater."""
    low_pa: float
    """Lower edge, Pa."""
    high_pa: float
    """Upper edge, Pa; greater."""
    columns: int
    """Characters from edge to edge."""
    rows: int
    """Characters from edge to edge."""
    unicode: bool = True
    """Braille and line-drawing characters; False: ASCII alone."""

    def column(self, t_s: float) -> int:
        """Character column of a moment, held within the frame."""
        return min(self.columns - 1, max(0, int((t_s - self.from_s) / (self.to_s - self.from_s) * self.columns)))

    def row(self, gauge_pa: float) -> int:
        """Character row of a pressure, 0 at the top, held within the frame."""
        share = (self.high_pa - gauge_pa) / (self.high_pa - self.low_pa)
        return min(self.rows - 1, max(0, int(share * self.rows)))


@dataclass(slots=True)
class _Canvas:
    """Dots and characters of one picture."""

    frame: Frame
    dots: set[tuple[int, int]] = field(default_factory=set)
    """Column and row of each dot that is set, from the upper left."""
    signs: dict[tuple[int, int], str] = field(default_factory=dict)
    """Characters that stand before the dots, by column and row of characters."""

    @property
    def fine(self) -> tuple[int, int]:
        """Dots in a character: across, down."""
        return (2, 4) if self.frame.unicode else (1, 3)

    def place(self, point: TracePoint) -> tuple[float, float]:
        """Where a sample lies, in dots; may be outside."""
        frame, (across, down) = self.frame, self.fine
        x = (point.t_s - frame.from_s) / (frame.to_s - frame.from_s) * frame.columns * across
        y = (frame.high_pa - point.gauge_pa) / (frame.high_pa - frame.low_pa) * frame.rows * down
        return x, y

    def join(self, begin: tuple[float, float], end: tuple[float, float]) -> None:
        """Set the dots of a straight line, as far as it lies inside."""
        frame, (across, down) = self.frame, self.fine
        wide, high = frame.columns * across, frame.rows * down
        longest = max(abs(end[0] - begin[0]), abs(end[1] - begin[1]))
        steps = min(4 * (wide + high), max(1, math.ceil(longest)))
        for step in range(steps + 1):
            x = math.floor(begin[0] + (end[0] - begin[0]) * step / steps)
            y = math.floor(begin[1] + (end[1] - begin[1]) * step / steps)
            if 0 <= x < wide and 0 <= y < high:
                self.dots.add((x, y))

    def cell(self, column: int, row: int) -> str:
        """The character at a place."""
        sign = self.signs.get((column, row))
        if sign is not None and sign.isalpha():
            return sign
        across, down = self.fine
        inside = [
            (x, y) for y in range(down) for x in range(across) if (column * across + x, row * down + y) in self.dots
        ]
        if not inside:
            return sign or " "
        if self.frame.unicode:
            return chr(0x2800 + sum(_BRAILLE[y][x] for x, y in inside))
        return "|" if len(inside) == down else "'-."[inside[0][1]]


def draw(
    points: Sequence[TracePoint], marks: Sequence[Mark], frame: Frame, lines_pa: Sequence[float] = ()
) -> list[str]:
    """Draw a trace with its axes.

    Args:
        points: the trace; what lies outside the frame is left out, and values that are no numbers.
        marks: what was seen; those of one moment only stand above the picture.
        frame: what part, how large.
        lines_pa: pressures at which a dashed line goes across.

    Returns:
        Lines of equal length: marks of moments, the picture with pressures in Pa at its left, the axis with times in
        s, and the phases.
    """
    canvas = _Canvas(frame)
    for begin, end in _joined(points, frame):
        canvas.join(canvas.place(begin), canvas.place(end))
    for gauge_pa in lines_pa:
        if frame.low_pa <= gauge_pa <= frame.high_pa:
            for column in range(frame.columns):
                canvas.signs[column, frame.row(gauge_pa)] = "╌" if frame.unicode else "="
    moments = [mark for mark in marks if mark.gauge_pa is None and frame.from_s <= mark.t_s <= frame.to_s]
    above = _letters(moments, frame)
    for mark in moments:
        for row in range(frame.rows):
            canvas.signs[frame.column(mark.t_s), row] = "┊" if frame.unicode else ":"
    _place_letters(canvas, marks)
    ticks = _pressure_ticks(frame)
    wide = max(len(text) for text in ticks.values())
    side, corner = ("┤", "└") if frame.unicode else ("|", "+")
    lines = [f"{'Pa':>{wide}} {above}"]
    for row in range(frame.rows):
        cells = "".join(canvas.cell(column, row) for column in range(frame.columns))
        edge = side if row in ticks or not frame.unicode else "│"
        lines.append(f"{ticks.get(row, ''):>{wide}}{edge}{cells}")
    axis, times = _time_axis(frame)
    lines += [f"{'':>{wide}}{corner}{axis}", f"{'s':>{wide}} {times}", f"{'':>{wide}} {_phases(points, frame)}"]
    return [line.ljust(wide + 1 + frame.columns) for line in lines]


def sparkline(values: Sequence[float | None], *, least_range: float = 0.0, unicode: bool = True) -> str:
    """A row of values as a row of characters, lowest to highest of them; a blank where a value is not known.

    Args:
        values: oldest first.
        least_range: values nearer together than this don't take up the whole height, so that noise looks like noise.
        unicode: block characters; False: digits 0 to 9.
    """
    known = [value for value in values if value is not None and math.isfinite(value)]
    if not known:
        return ""
    signs = _BLOCKS if unicode else "0123456789"
    low, high = min(known), max(known)
    spare = max(0.0, least_range - (high - low)) / 2.0
    low, high = low - spare, high + spare

    def sign(value: float | None) -> str:
        if value is None or not math.isfinite(value):
            return " "
        share = (value - low) / (high - low) if high > low else 0.5
        return signs[min(len(signs) - 1, int(share * len(signs)))]

    return "".join(sign(value) for value in values)


def nice_step(span: float, most: int) -> float:
    """The least of 1, 2 and 5 times a power of ten that divides a span into at most so many parts.

    Args:
        span: greater than 0.
        most: at least 1.
    """
    rough = span / most
    size = 10.0 ** math.floor(math.log10(rough))
    return next(step * size for step in _STEPS if step * size >= rough * (1.0 - 1e-9))


def _joined(points: Sequence[TracePoint], frame: Frame) -> Iterator[tuple[TracePoint, TracePoint]]:
    """Neighbours that are joined by a line; a lonely sample with itself."""
    shown = [p for p in points if math.isfinite(p.gauge_pa)]
    distances = [b.t_s - a.t_s for a, b in pairwise(shown)]
    longest_s = min(_GAP_S[1], max(_GAP_S[0], _GAP * median(distances))) if distances else 0.0
    for point in shown:
        yield point, point
    for a, b in pairwise(shown):
        if b.t_s - a.t_s <= longest_s and b.t_s >= frame.from_s and a.t_s <= frame.to_s:
            yield a, b


def _letters(moments: Sequence[Mark], frame: Frame) -> str:
    """The row above the picture; a letter whose place is taken moves to the right."""
    cells = [" "] * frame.columns
    for mark in sorted(moments, key=lambda mark: mark.t_s):
        column = frame.column(mark.t_s)
        while column < frame.columns - 1 and cells[column] != " ":
            column += 1
        cells[column] = mark.letter
    return "".join(cells)


def _place_letters(canvas: _Canvas, marks: Sequence[Mark]) -> None:
    """Letters at their pressures; one whose place is taken moves to the right, then down."""
    frame = canvas.frame
    for mark in marks:
        if mark.gauge_pa is None or not frame.from_s <= mark.t_s <= frame.to_s:
            continue
        if not frame.low_pa <= mark.gauge_pa <= frame.high_pa:
            continue
        column, row = frame.column(mark.t_s), frame.row(mark.gauge_pa)
        while canvas.signs.get((column, row), " ").isalpha():
            column, row = (column + 1, row) if column < frame.columns - 1 else (frame.column(mark.t_s), row + 1)
        canvas.signs[column, row] = mark.letter


def _pressure_ticks(frame: Frame) -> dict[int, str]:
    """Pressures at the left, by row."""
    step = nice_step(frame.high_pa - frame.low_pa, max(2, frame.rows // 2))
    digits = max(0, -math.floor(math.log10(step)))
    first = math.ceil(frame.low_pa / step)
    values = [k * step for k in range(first, math.floor(frame.high_pa / step) + 1)]
    return {frame.row(value): f"{value + 0.0:.{digits}f}" for value in values} or {0: f"{frame.high_pa:.0f}"}


def _time_axis(frame: Frame) -> tuple[str, str]:
    """The line below the picture with its ticks, and the times under them."""
    step = nice_step(frame.to_s - frame.from_s, max(2, frame.columns // 8))
    digits = max(0, -math.floor(math.log10(step)))
    line, tick = ("─", "┴") if frame.unicode else ("-", "+")
    axis, times = [line] * frame.columns, [" "] * frame.columns
    for k in range(math.ceil(frame.from_s / step), math.floor(frame.to_s / step) + 1):
        column = frame.column(k * step)
        axis[column] = tick
        text = f"{k * step:.{digits}f}"
        begin = min(max(0, column - len(text) // 2), frame.columns - len(text))
        if all(cell == " " for cell in times[max(0, begin - 1) : begin + len(text) + 1]):
            times[begin : begin + len(text)] = text
    return "".join(axis), "".join(times)


def _phases(points: Sequence[TracePoint], frame: Frame) -> str:
    """Each phase between its bounds; as much of its name as there is room for."""
    cells = [" "] * frame.columns
    runs = [(phase, list(run)) for phase, run in groupby(points, key=lambda point: point.phase)]
    for place, (phase, run) in enumerate(runs):
        begin_s = run[0].t_s
        end_s = runs[place + 1][1][0].t_s if place + 1 < len(runs) else run[-1].t_s
        if end_s < frame.from_s or begin_s > frame.to_s:
            continue
        begin, end = frame.column(begin_s), frame.column(end_s)
        cells[begin] = "│" if frame.unicode else "|"
        room = max(0, end - begin - 1)
        name = phase.value if len(phase.value) <= room else phase.value[:room]
        at = begin + 1 + (room - len(name)) // 2
        cells[at : at + len(name)] = name
    return "".join(cells)
