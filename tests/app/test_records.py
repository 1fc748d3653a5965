"""The row that is kept: what is not known is told as not known, and litres are those of ISO 8778."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest

from lungfish.app.clock import Stamps
from lungfish.app.records import aborted_record, reading_record
from lungfish.core.budget import Budget, Contribution, Measured
from lungfish.core.codes import Diagnosis, Finding, Quality
from lungfish.core.events import Abort, PressureRead, ReadFailed, ValveFailed, ValveSeen, ValveState
from lungfish.core.reading import Features, Phase, Reading, TraceSample
from lungfish.core.setup import Learned
from lungfish.ports import ClockState
from tests.app.virtual_site import site_of


class StoppedClock:
    def monotonic_s(self) -> float:
        return 1000.0

    async def sleep_until(self, at_s: float) -> None:
        raise NotImplementedError


STAMPS = Stamps("boot", StoppedClock(), lambda: 1.8e9, lambda: ClockState.UNSYNCHRONISED)
TANK = site_of(1).tanks["t0"]
GOOD = Reading(
    started_at_s=900.0,
    opened_at_s=902.0,
    shut_at_s=962.0,
    ended_at_s=970.0,
    head_pa=Measured(value=13_700.0, u=20.0),
    level_m=Measured(value=1.5, u=0.002),
    budget=Budget(
        contributions=(
            Contribution(name="transmitter", u=3.0, sensitivity=1e-3, unit="Pa"),
            Contribution(name="tip height", u=4e-3, sensitivity=1.0, unit="m"),
        )
    ),
    findings=(Finding(code=Diagnosis.OK, quality=Quality.GOOD, sentence="as it should be"),),
    features=Features(air_pa_m3=150.0, trapped_pa=12.0, samples=3),
    trace=(TraceSample(0.5, 12.0, Phase.LOOK),),
    learned=Learned(),
)
ABORTED = replace(
    GOOD,
    shut_at_s=None,
    head_pa=None,
    level_m=None,
    budget=None,
    findings=(Finding(code=Diagnosis.ABORTED, quality=Quality.BAD, sentence="told to stop"),),
)


def test_a_good_reading_has_every_column_and_the_moment_of_shutting() -> None:
    row = reading_record(TANK, GOOD, STAMPS, air_k=293.15, opening_sent=True)
    assert (row.at.monotonic_s, row.at.utc_s) == (962.0, 1.8e9 - 38.0)
    assert row.at.clock is ClockState.UNSYNCHRONISED
    assert row.level_m == 1.5
    # expanded with k = 2 (JCGM 100:2008, 6.2): 2 sqrt(3^2 + 4^2) mm = 10 mm
    assert row.level_u_m == pytest.approx(0.010)
    # a cylinder of 2.4 m: pi/4 2.4^2 1.5 = 6.7858 m3, by hand
    assert row.volume_m3 == pytest.approx(6.7858, abs=1e-4)
    assert (row.quality, row.diagnosis, row.purge_s) == ("good", "ok", 60.0)
    # ISO 8778: 20 degC and 1 bar; 150 Pa m3 at 20 degC are 150 Pa m3 / 100 kPa = 1.5 litres
    assert row.air_sl == pytest.approx(1.5)


def test_litres_are_counted_at_the_reference_temperature_not_at_the_airs() -> None:
    row = reading_record(TANK, GOOD, STAMPS, air_k=273.15, opening_sent=True)
    assert row.air_sl == pytest.approx(1.5 * 293.15 / 273.15)  # Charles's law


def test_the_evidence_can_be_read_by_a_program_and_holds_the_budget_line_by_line() -> None:
    events = (
        PressureRead(t_s=901.0, gauge_pa=1.0),
        ValveSeen(t_s=902.0, state=ValveState.OPEN),
        ReadFailed(t_s=903.0, reason="late"),
        ValveFailed(t_s=904.0, wanted=ValveState.SHUT, reason="no answer"),
        Abort(t_s=905.0, reason="stop"),
    )
    row = reading_record(TANK, GOOD, STAMPS, air_k=293.15, opening_sent=True, events=events)
    evidence = json.loads(json.dumps(row.evidence))
    assert evidence["sentences"] == ["as it should be"]
    assert evidence["features"]["trapped_pa"] == 12.0
    assert "noise_pa" not in evidence["features"]  # this cycle could not tell
    budget = evidence["budget"]
    assert [line["name"] for line in budget["contributions"]] == ["transmitter", "tip height"]
    assert [line["effect"] for line in budget["contributions"]] == pytest.approx([3e-3, 4e-3])
    assert budget["combined"] == pytest.approx(5e-3)
    assert (budget["k"], budget["expanded"]) == (2.0, pytest.approx(10e-3))
    assert evidence["events"] == [
        ["ValveSeen", 2.0, "open"],
        ["ReadFailed", 3.0, "late"],
        ["ValveFailed", 4.0, "shut", "no answer"],
        ["Abort", 5.0, "stop"],
    ]


def test_each_finding_is_kept_with_its_own_quality() -> None:
    leak = Finding(code=Diagnosis.LINE_LEAK, quality=Quality.UNCERTAIN, sentence="it falls")
    narrow = Finding(code=Diagnosis.TUBE_RESTRICTED, quality=Quality.GOOD, sentence="it is high")
    row = reading_record(TANK, replace(GOOD, findings=(narrow, leak)), STAMPS, air_k=293.15, opening_sent=True)
    assert (row.quality, row.diagnosis) == ("uncertain", "line_leak+tube_restricted")
    assert row.evidence["findings"] == [
        {"code": "tube_restricted", "quality": "good", "sentence": "it is high"},
        {"code": "line_leak", "quality": "uncertain", "sentence": "it falls"},
    ]


def test_an_interrupted_opening_that_was_confirmed_shut_afterwards_has_its_time() -> None:
    row = reading_record(TANK, ABORTED, STAMPS, air_k=293.15, opening_sent=True, shut_at_s=970.5)
    assert row.purge_s == pytest.approx(68.5)
    assert row.at.monotonic_s == 970.5
    assert row.air_sl == pytest.approx(1.5)
    assert (row.level_m, row.level_u_m, row.head_pa, row.volume_m3) == (None, None, None, None)


@pytest.mark.parametrize(
    ("reading", "shut_at_s"),
    [
        (ABORTED, None),  # never confirmed shut
        (ABORTED, 800.0),  # confirmed shut before it was opened, not since
        (replace(ABORTED, opened_at_s=None), None),  # sent, never seen: it may have opened
        (replace(ABORTED, opened_at_s=None), 970.5),
    ],
)
def test_an_opening_of_unknown_length_has_unknown_time_and_air(reading: Reading, shut_at_s: float | None) -> None:
    row = reading_record(TANK, reading, STAMPS, air_k=293.15, opening_sent=True, shut_at_s=shut_at_s)
    assert math.isnan(row.purge_s)
    assert math.isnan(row.air_sl)


def test_a_cycle_that_opened_nothing_cost_nothing() -> None:
    reading = replace(ABORTED, opened_at_s=None, features=Features())
    row = reading_record(TANK, reading, STAMPS, air_k=293.15, opening_sent=False)
    assert (row.purge_s, row.air_sl, row.at.monotonic_s) == (0.0, 0.0, 970.0)


@pytest.mark.parametrize(("level_m", "volume_m3"), [(3.003, 13.5717), (3.2, None), (-0.001, 0.0), (-0.1, None)])
def test_a_level_outside_the_vessel_has_a_volume_only_within_its_uncertainty(
    level_m: float, volume_m3: float | None
) -> None:
    reading = replace(GOOD, level_m=Measured(value=level_m, u=0.002))
    row = reading_record(TANK, reading, STAMPS, air_k=293.15, opening_sent=True)
    assert row.level_m == level_m
    assert row.volume_m3 == (None if volume_m3 is None else pytest.approx(volume_m3, abs=1e-4))


def test_a_cycle_that_failed_by_our_own_fault_has_a_row_all_the_same() -> None:
    opened = aborted_record("t0", STAMPS, "a bug", opening_sent=True)
    assert (opened.quality, opened.diagnosis, opened.level_m) == ("bad", "aborted", None)
    assert math.isnan(opened.purge_s)
    assert aborted_record("t0", STAMPS, "a bug", opening_sent=False).purge_s == 0.0
