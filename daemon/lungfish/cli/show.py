"""A reading for the eyes of a technician: level, how well it is known, why, and what it rests on."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from textwrap import wrap

from lungfish.app.journal import iso_utc
from lungfish.core.budget import COVERAGE_FACTOR
from lungfish.core.codes import Category
from lungfish.ports import ClockState, ReadingRecord
from lungfish.study.told import told_of

__all__ = ["as_json", "reading_lines"]

_WIDTH = 100
_NAME_WIDTH = 13
_UNITS = {
    "_pa_m3": "Pa m3",
    "_pa_s": "Pa/s",
    "_pa": "Pa",
    "_s": "s",
}
"""Units by the ending of a feature's name, longest ending first."""


def as_json(record: ReadingRecord, seq: int | None = None) -> dict[str, object]:
    """A reading for a program: the columns of `export`, then k, the monotonic time, and the evidence.

    Args:
        record: the reading.
        seq: its number in the store, when known.
    """
    return {
        "time": iso_utc(record.at.utc_s),
        "tank": record.tank,
        "level_m": record.level_m,
        "level_u_m": record.level_u_m,
        "head_pa": record.head_pa,
        "volume_m3": record.volume_m3,
        "quality": record.quality,
        "diagnosis": record.diagnosis,
        "purge_s": _known(record.purge_s),
        "air_sl": _known(record.air_sl),
        "seq": seq,
        "boot": record.at.boot_id,
        "clock": record.at.clock.value,
        "monotonic_s": record.at.monotonic_s,
        "k": COVERAGE_FACTOR,
        "evidence": dict(record.evidence),
    }


def reading_lines(record: ReadingRecord) -> Iterator[str]:
    """A reading on lines of at most 100 columns.

    Args:
        record: the reading.
    """
    clock = "" if record.at.clock is ClockState.SYNCHRONISED else f" (wall clock {record.at.clock.value})"
    yield f"{record.tank}  {iso_utc(record.at.utc_s)}{clock}"
    yield ""
    yield _row("level", _level(record))
    yield _row("head", "not known" if record.head_pa is None else f"{record.head_pa:.1f} Pa above the tip")
    yield _row("volume", "not known" if record.volume_m3 is None else f"{record.volume_m3:.3f} m3")
    yield _row("quality", record.quality)
    yield _row("diagnosis", record.diagnosis)
    for sentence in _sentences(record):
        yield from _wrapped("", sentence)
    yield from _advice_lines(record)
    yield _row("purge", _purge(record))
    budget = record.evidence.get("budget")
    if isinstance(budget, Mapping):
        yield ""
        yield from _budget_lines(budget)
    features = record.evidence.get("features")
    if isinstance(features, Mapping):
        yield ""
        yield "evidence"
        yield from (_feature(str(name), value) for name, value in features.items())


def _advice_lines(record: ReadingRecord) -> Iterator[str]:
    """For each code that asks for something: its status signal, the first thing to do, and what can hurt."""
    for told in told_of(record.diagnosis, record.quality, record.evidence):
        if told.advice is None or told.category is Category.NONE:
            continue
        yield _row("NE 107", f"{told.category_told} ({told.code})")
        yield from _wrapped("do first", told.advice.remedies[0])
        if told.advice.caution is not None:
            yield from _wrapped("caution", told.advice.caution)


def _wrapped(name: str, text: str) -> Iterator[str]:
    first, *more = wrap(text, _WIDTH - _NAME_WIDTH - 2) or [""]
    yield _row(name, first)
    yield from (_row("", line) for line in more)


def _row(name: str, text: str) -> str:
    return f"  {name:<{_NAME_WIDTH}}{text}".rstrip()


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _level(record: ReadingRecord) -> str:
    if record.level_m is None:
        return "not known"
    u = "" if record.level_u_m is None else f" ± {1000 * record.level_u_m:.1f} mm (k = {COVERAGE_FACTOR:g})"
    return f"{record.level_m:.4f} m{u} above the tank floor"


def _sentences(record: ReadingRecord) -> Sequence[str]:
    sentences = record.evidence.get("sentences", ())
    return [str(each) for each in sentences] if isinstance(sentences, Sequence) else []


def _purge(record: ReadingRecord) -> str:
    if not math.isfinite(record.purge_s):
        return "the valve was told to open; for how long it was open, and the air used, are not known"
    if record.purge_s == 0:
        return "the valve was not opened"
    air = f"{record.air_sl:.3f} SL of air" if math.isfinite(record.air_sl) else "air used not known"
    return f"valve open {record.purge_s:.2f} s, {air} (20 degC, 1 bar)"


def _budget_lines(budget: Mapping[str, object]) -> Iterator[str]:
    yield "uncertainty of the level (standard uncertainties, k = 1)"
    yield f"  {'from':<28}{'u':>14} {'unit':<8}{'sensitivity':>16}{'effect, mm':>14}"
    lines = budget.get("contributions")
    for line in lines if isinstance(lines, Sequence) else ():
        sensitivity = f"{line['sensitivity']:.3e}"
        yield (
            f"  {line['name']:<28}{line['u']:>14.4g} {line['unit']:<8}{sensitivity:>16}{1000 * line['effect']:>14.3f}"
        )
    combined, expanded = budget.get("combined"), budget.get("expanded")
    if isinstance(combined, float) and isinstance(expanded, float):
        yield f"  {'combined':<66}{1000 * combined:>14.3f}"
        yield f"  {f'expanded, k = {COVERAGE_FACTOR:g}':<66}{1000 * expanded:>14.3f}"


def _feature(name: str, value: object) -> str:
    unit = next((unit for ending, unit in _UNITS.items() if name.endswith(ending)), "")
    words = name
    for ending in _UNITS:
        if name.endswith(ending):
            words = name.removesuffix(ending)
            break
    shown = f"{value:.5g}" if isinstance(value, float) else str(value)
    return f"  {words.replace('_', ' '):<28}{shown:>14} {unit}".rstrip()
