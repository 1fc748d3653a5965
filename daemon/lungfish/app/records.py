"""From what a cycle found to the row that is kept: volume, standard litres, evidence, and the moment on both clocks."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, replace

from lungfish.app.clock import Stamps
from lungfish.config import Tank
from lungfish.core.budget import COVERAGE_FACTOR, Budget
from lungfish.core.codes import Diagnosis, Quality
from lungfish.core.events import Abort, Event, InputSeen, PressureRead, ReadFailed, ValveFailed, ValveSeen
from lungfish.core.reading import Features, Reading
from lungfish.physics.standard import ANR, standard_volume_m3
from lungfish.ports import ReadingRecord, TracePoint

__all__ = ["aborted_record", "reading_record"]

_UNKNOWN = math.nan
"""The store keeps what is not finite as not known."""
_MOST_EVENTS = 100
_LITRES = 1000.0


def reading_record(
    tank: Tank,
    reading: Reading,
    stamps: Stamps,
    *,
    air_k: float,
    opening_sent: bool,
    shut_at_s: float | None = None,
    events: Sequence[Event] = (),
) -> ReadingRecord:
    """The row of a finished cycle.

    Args:
        tank: whose it is.
        reading: what was found.
        stamps: both clocks.
        air_k: temperature of the air in tube and line, K.
        opening_sent: the valve was told to open in this cycle, whether or not it did.
        shut_at_s: monotonic time at which the valve was confirmed shut after the cycle had ended, s; None: it was not.
        events: what the cycle was told; kept but for the pressures, which are in the trace.
    """
    if reading.shut_at_s is None and shut_at_s is not None and shut_at_s >= (reading.opened_at_s or math.inf):
        reading = replace(reading, shut_at_s=shut_at_s)
    # an opening that was sent but never seen, or seen and never confirmed shut, lasted nobody knows how long
    sure = reading.opened_at_s is not None and reading.shut_at_s is not None if opening_sent else True
    purge_s, air_sl = (reading.open_s, _litres(reading, air_k)) if sure else (_UNKNOWN, _UNKNOWN)
    level = reading.level_m
    level_u_m = None
    if level is not None:
        u = reading.budget.combined if reading.budget is not None else level.u
        level_u_m = COVERAGE_FACTOR * u
    return ReadingRecord(
        tank=tank.name,
        at=stamps.at(reading.shut_at_s if reading.shut_at_s is not None else reading.ended_at_s),
        level_m=None if level is None else level.value,
        level_u_m=level_u_m,
        head_pa=None if reading.head_pa is None else reading.head_pa.value,
        volume_m3=None if level is None else _volume_m3(tank, level.value, level_u_m or 0.0),
        quality=reading.quality.value,
        diagnosis=reading.diagnosis,
        purge_s=purge_s,
        air_sl=air_sl,
        evidence=_evidence(reading, events),
        trace=tuple(TracePoint(s.t_s, s.gauge_pa, s.phase) for s in reading.trace),
    )


def aborted_record(tank: str, stamps: Stamps, sentence: str, *, opening_sent: bool) -> ReadingRecord:
    """The row of a cycle that left no reading: a fault of lungfish itself.

    Args:
        tank: whose it is.
        stamps: both clocks.
        sentence: what is known of it.
        opening_sent: the valve was told to open in it.
    """
    return ReadingRecord(
        tank=tank,
        at=stamps.now(),
        level_m=None,
        level_u_m=None,
        head_pa=None,
        volume_m3=None,
        quality=Quality.BAD.value,
        diagnosis=Diagnosis.ABORTED.value,
        purge_s=_UNKNOWN if opening_sent else 0.0,
        air_sl=_UNKNOWN if opening_sent else 0.0,
        evidence={"sentences": [sentence]},
        trace=(),
    )


def _litres(reading: Reading, air_k: float) -> float:
    if reading.features.air_pa_m3 is not None:
        return _LITRES * standard_volume_m3(reading.features.air_pa_m3, air_k, ANR)
    return _UNKNOWN if reading.opened_at_s is not None else 0.0


def _volume_m3(tank: Tank, level_m: float, level_u_m: float) -> float | None:
    """Volume below a level; None when the level lies outside the vessel by more than it is uncertain."""
    inside_m = min(max(level_m, 0.0), tank.vessel_height_m)
    if abs(inside_m - level_m) > level_u_m:
        return None
    return tank.vessel.volume_m3(inside_m)


def _evidence(reading: Reading, events: Sequence[Event]) -> Mapping[str, object]:
    evidence: dict[str, object] = {
        "sentences": [finding.sentence for finding in reading.findings],
        "findings": [
            {"code": finding.code.value, "quality": finding.quality.value, "sentence": finding.sentence}
            for finding in reading.findings
        ],
        "features": _known_features(reading.features),
    }
    if reading.budget is not None:
        evidence["budget"] = _budget(reading.budget)
    told = [_told(event, reading.started_at_s) for event in events if not isinstance(event, PressureRead)]
    evidence["events"] = told[:_MOST_EVENTS]
    if len(told) > _MOST_EVENTS:
        evidence["events_left_out"] = len(told) - _MOST_EVENTS
    return evidence


def _known_features(features: Features) -> dict[str, object]:
    values = {each.name: getattr(features, each.name) for each in fields(features)}
    return {name: value for name, value in values.items() if value is not None}


def _budget(budget: Budget) -> dict[str, object]:
    return {
        "unit": "m",
        "k": COVERAGE_FACTOR,
        "combined": budget.combined,
        "expanded": budget.expanded(),
        "contributions": [
            {
                "name": line.name,
                "u": line.u,
                "unit": line.unit,
                "sensitivity": line.sensitivity,
                "effect": line.effect,
            }
            for line in budget.contributions
        ],
    }


def _told(event: Event, started_at_s: float) -> list[object]:
    row: list[object] = [type(event).__name__, round(event.t_s - started_at_s, 6)]
    match event:
        case ValveSeen(state=state):
            row.append(state.value)
        case ValveFailed(wanted=wanted, reason=reason):
            row += [wanted.value, reason]
        case InputSeen(which=which, active=active):
            row += [which.value, active]
        case ReadFailed(reason=reason) | Abort(reason=reason):
            row.append(reason)
        case _:
            pass
    return row
