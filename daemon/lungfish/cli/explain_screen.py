"""One screen about a tank's last cycles: verdicts, picture, numbers, what was learned, how it goes on."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from textwrap import wrap
from zoneinfo import ZoneInfo

from lungfish.app.journal import iso_utc
from lungfish.cli.baseline import KeptBaseline
from lungfish.cli.explain_baseline import baseline_lines, call_lines
from lungfish.cli.explain_zero import KeptZeros, zero_call_lines, zero_lines
from lungfish.cli.terminal import WIDTH
from lungfish.core.budget import COVERAGE_FACTOR
from lungfish.core.setup import Learned
from lungfish.ports import ClockState, TracePoint
from lungfish.store import StoredEvent, StoredReading
from lungfish.study.picture import sparkline
from lungfish.study.seen import Limit, answer_of, number_of, pictures, seen_of
from lungfish.study.told import Told, told_of

__all__ = ["TREND_CYCLES", "Explained", "screen_lines"]

TREND_CYCLES = 40
"""So many cycles make a trend: one character each."""

_ROWS = 9
"""Height of the picture."""
_EVENT_LINES = 3
"""So much of an event; the log and the store have all."""
_REMEDIES = 3
"""So many things to do for each code; the handbook has all."""
_MOST_TIMES = 100.0
"""Air used over the least: a tube that kept its air needs next to none, and then the quotient says nothing."""


def _friction_ratio(evidence: Mapping[str, object]) -> float | None:
    return _ratio(number_of(evidence, "friction_pa"), number_of(evidence, "expected_friction_pa"))


def _fall_pa_s(evidence: Mapping[str, object]) -> float | None:
    slope = number_of(evidence, "shut_in_slope_pa_s")
    return None if slope is None else -slope


def _fill_s(evidence: Mapping[str, object]) -> float | None:
    return number_of(evidence, "fill_s")


def _ripple_ratio(evidence: Mapping[str, object]) -> float | None:
    return _ratio(number_of(evidence, "plateau_scatter_pa"), number_of(evidence, "noise_pa"))


def _ratio(above: float | None, below: float | None) -> float | None:
    return None if above is None or below is None or below <= 0 else above / below


_TRENDS: tuple[tuple[str, str, float, Callable[[Mapping[str, object]], float | None]], ...] = (
    ("friction / expected", "", 0.2, _friction_ratio),
    ("fall of the shut-in", "Pa/s", 10.0, _fall_pa_s),
    ("rise ends after", "s", 1.0, _fill_s),
    ("ripple / noise", "", 2.0, _ripple_ratio),
)
"""What is followed from cycle to cycle: name, unit, the least range that is drawn, and how it is had."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """What the store holds about a tank."""

    site: str
    """Name for people."""
    timezone: str
    """IANA zone that moments are shown in."""
    readings: Sequence[StoredReading]
    """The newest first, at least one."""
    trace: Sequence[TracePoint]
    """Of the newest; may be empty."""
    learned: Learned | None
    """None: nothing is kept."""
    events: Sequence[StoredEvent]
    """Of the tank, the newest first."""
    baseline: KeptBaseline | None = None
    """None: the tank is not in the site file any more."""
    zeros: KeptZeros | None = None
    """None: the tank is not in the site file any more."""
    limits: Sequence[Limit] = ()
    """Pressures that ended the newest cycle."""


def screen_lines(tank: Explained, *, cycles: int, unicode: bool) -> Iterator[str]:
    """The screen, at most 100 columns wide.

    Args:
        tank: what is known.
        cycles: how many rows the table of cycles has at most.
        unicode: False: pictures in ASCII.
    """
    last, zone = tank.readings[0], ZoneInfo(tank.timezone)
    yield from _head(tank, last, zone)
    yield ""
    for told in told_of(last.diagnosis, last.quality, last.evidence):
        yield from _verdict(told)
    if tank.baseline is not None:
        yield from call_lines(tank.baseline, zone)
    if tank.zeros is not None:
        yield from zero_call_lines(tank.zeros)
    yield ""
    yield from _picture(tank, last, unicode)
    yield ""
    yield from _table(tank.readings[:cycles], zone)
    yield ""
    yield from _trends(tank.readings, unicode)
    yield from _learned(tank.learned)
    if tank.baseline is not None:
        yield from baseline_lines(tank.baseline, zone, unicode=unicode)
    if tank.zeros is not None:
        yield from zero_lines(tank.zeros, zone)
    if tank.events:
        yield ""
        yield from _events(tank.events, zone)


def _head(tank: Explained, last: StoredReading, zone: ZoneInfo) -> Iterator[str]:
    clock = "" if last.at.clock is ClockState.SYNCHRONISED else f", wall clock {last.at.clock.value}"
    left = f"{last.tank}   {tank.site}"
    right = f"{_local(last.at.utc_s, zone):%Y-%m-%d %H:%M:%S} {zone.key}, {iso_utc(last.at.utc_s)[11:19]}Z{clock}"
    yield f"{left:<{max(0, WIDTH - len(right) - 2)}}  {right}"
    if last.level_m is None:
        level = "level not known"
    else:
        u = "" if last.level_u_m is None else f" ± {1000 * last.level_u_m:.1f} mm (k = {COVERAGE_FACTOR:g})"
        level = f"level {last.level_m:.4f} m{u}"
    head = "head not known" if last.head_pa is None else f"head {last.head_pa:.1f} Pa"
    volume = "volume not known" if last.volume_m3 is None else f"volume {last.volume_m3:.3f} m3"
    yield f"{last.quality.upper()}   {level}   {head}   {volume}"
    yield _purge(last)
    yield from _switches(last)


def _purge(last: StoredReading) -> str:
    if last.purge_s is None:
        return "the valve was told to open; for how long it was open is not known"
    if last.purge_s == 0:
        return "the valve was not opened"
    air = "air used not known" if last.air_sl is None else f"{last.air_sl:.3f} SL of air (20 degC, 1 bar)"
    times = _ratio(number_of(last.evidence, "air_pa_m3"), number_of(last.evidence, "least_air_pa_m3"))
    share = "" if times is None or times > _MOST_TIMES else f", {times:.1f} times the least for this reading"
    return f"valve open {last.purge_s:.2f} s, {air}{share}"


def _switches(last: StoredReading) -> Iterator[str]:
    """What switches said, where the site has them and they answered."""
    names = (("supply_seen", "supply there", "supply missing"), ("flow_seen", "flow seen", "no flow"))
    answers = [(answer_of(last.evidence, name), yes, no) for name, yes, no in names]
    told = [yes if answer else no for answer, yes, no in answers if answer is not None]
    if told:
        yield f"switches: {', '.join(told)}"


def _verdict(told: Told) -> Iterator[str]:
    if told.code:
        ok = told.advice is not None and not told.advice.remedies
        yield told.code if ok else f"{told.code}   {told.quality}   NE 107: {told.category_told}"
    for sentence in told.sentences:
        yield from wrap(sentence, WIDTH, initial_indent="  ", subsequent_indent="  ")
    if told.advice is None:
        return
    for place, remedy in enumerate(told.advice.remedies[:_REMEDIES], start=1):
        yield from wrap(remedy, WIDTH, initial_indent=f"  {place} ", subsequent_indent="    ")
    if told.advice.caution is not None:
        yield from wrap(f"caution: {told.advice.caution}", WIDTH, initial_indent="  ! ", subsequent_indent="    ")


def _picture(tank: Explained, last: StoredReading, unicode: bool) -> Iterator[str]:
    if not tank.trace:
        yield "no trace: this cycle left none, or retention has taken it"
        return
    seen = seen_of(tank.trace, last.evidence)
    yield from pictures(tank.trace, seen, columns=WIDTH, rows=_ROWS, unicode=unicode, limits=tank.limits)
    line = ""
    for text in [*seen.legend(), *(f"{limit.letter} {limit.text}, {limit.gauge_pa:.0f} Pa" for limit in tank.limits)]:
        if line and len(line) + len(text) + 3 > WIDTH:
            yield line
            line = ""
        line += ("   " if line else "") + text
    yield line


def _table(readings: Sequence[StoredReading], zone: ZoneInfo) -> Iterator[str]:
    names = ("level", "trapped", "rise", "plateau", "friction", "fall", "ripple", "noise", "air")
    units = ("m", "Pa", "s", "Pa", "Pa, exp.", "Pa/s", "Pa", "Pa", "SL")
    widths = (7, 8, 6, 8, 11, 7, 7, 6, 5)
    for first, cells, last in (("cycle", names, "diagnosis"), ("", units, "U uncertain, B bad")):
        row = "".join(f"{cell:>{width}}" for cell, width in zip(cells, widths, strict=True))
        yield f"{first:<14}{row}  {last}"
    for reading in readings:
        evidence = reading.evidence
        friction = _cell(number_of(evidence, "friction_pa"), 0, 0)
        expected = _cell(number_of(evidence, "expected_friction_pa"), 0, 0)
        row = (
            _cell(reading.level_m, 7, 3)
            + _cell(number_of(evidence, "trapped_pa"), 8, 0)
            + _cell(number_of(evidence, "fill_s"), 6, 1)
            + _cell(number_of(evidence, "plateau_pa"), 8, 0)
            + f"{'?' if friction == expected == '?' else f'{friction} /{expected:>4}':>11}"
            + _cell(_fall_pa_s(evidence), 7, 1)
            + _cell(number_of(evidence, "plateau_scatter_pa"), 7, 1)
            + _cell(number_of(evidence, "noise_pa"), 6, 1)
            + _cell(reading.air_sl, 5, 2)
        )
        mark = "" if reading.quality == "good" else f"{reading.quality[:1].upper()} "
        told = f"{mark}{reading.diagnosis}"
        fits = len(told) + 2 <= WIDTH - 14 - len(row)
        yield f"{_local(reading.at.utc_s, zone):%m-%d %H:%M:%S}{row}{f'  {told}' if fits else ''}"
        if not fits:
            yield f"{told:>{WIDTH}}"


def _trends(readings: Sequence[StoredReading], unicode: bool) -> Iterator[str]:
    """Each followed number over the cycles that are kept, oldest at the left."""
    if len(readings) < 2:
        return
    shown = list(reversed(readings[:TREND_CYCLES]))
    yield f"{f'trend over {len(shown)} cycles, oldest at the left':<63}{'least':>10}{'greatest':>10}{'last':>10}"
    for name, unit, range_least, value_of in _TRENDS:
        values = [value_of(reading.evidence) for reading in shown]
        known = [value for value in values if value is not None]
        if not known:
            yield f"  {name:<21}not known"
            continue
        ends = f"{min(known):>10.2f}{max(known):>10.2f}{_cell(values[-1], 10, 2)}"
        line = sparkline(values, least_range=range_least, unicode=unicode)
        yield f"  {name:<21}{line:<{TREND_CYCLES}}{ends} {unit}".rstrip()


def _learned(learned: Learned | None) -> Iterator[str]:
    if learned is None:
        yield "learned: nothing yet"
        return
    ratio = f"{learned.friction_ratio:.2f} ± {2 * learned.friction_ratio_u:.2f}"
    loss = _cell(None if learned.lost_pa_s is None else 60.0 * max(0.0, learned.lost_pa_s), 5, 1).strip()
    yield (
        f"learned in {learned.cycles} cycle{'' if learned.cycles == 1 else 's'}: friction {ratio} of geometry's, "
        f"damping {learned.damping_s:.2f} s, loses {loss} Pa/min shut"
    )


def _events(events: Sequence[StoredEvent], zone: ZoneInfo) -> Iterator[str]:
    yield "events"
    for event in events:
        at = f"{_local(event.at.utc_s, zone):%m-%d %H:%M:%S}"
        text = f"{at} {event.kind}: {event.text}"
        yield from wrap(
            text, WIDTH, initial_indent="  ", subsequent_indent="    ", max_lines=_EVENT_LINES, placeholder=" ..."
        )


def _local(utc_s: float, zone: ZoneInfo) -> datetime:
    return datetime.fromtimestamp(utc_s, zone)


def _cell(value: float | None, width: int, digits: int) -> str:
    """A number in its column, with fewer decimals where it would touch its neighbour; `?` when it is not known."""
    if value is None:
        return f"{'?':>{width}}"
    text = next(text for k in range(digits, -1, -1) if len(text := f"{value:.{k}f}") < width or k == 0)
    return f"{text.removeprefix('-') if float(text) == 0 else text:>{width}}"
