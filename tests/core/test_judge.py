"""From a record to a reading, and what the record itself keeps and drops."""

from __future__ import annotations

from dataclasses import replace

import pytest

from lungfish.core.codes import Diagnosis, Quality
from lungfish.core.judge import Ending, judge
from lungfish.core.plan import Plan
from lungfish.core.proof import movement_of
from lungfish.core.reading import Phase
from lungfish.core.record import Record
from tests.core.samples import SUMP
from tests.core.stories import BARE, SETTLED, Story, judged

# -- records -----------------------------------------------------------------------------------------------------------


def test_a_sample_out_of_order_is_dropped() -> None:
    record = Record()
    for t, pa in ((1.0, 10.0), (2.0, 20.0), (1.5, 99.0), (2.0, 99.0), (3.0, 30.0)):
        record.add(t, pa, Phase.LOOK)
    assert (record.times_s, record.gauge_pa) == ([1.0, 2.0, 3.0], [10.0, 20.0, 30.0])
    assert record.period_s == 1.0
    assert record.last_good_s == 3.0


def test_a_slice_of_time_holds_its_beginning_and_not_its_end() -> None:
    record = Record()
    for k in range(6):
        record.add(float(k), 10.0 * k, Phase.LOOK)
    assert record.since(2.0, 4.0) == ([2.0, 3.0], [20.0, 30.0])
    assert record.since(4.5) == ([5.0], [50.0])
    assert record.since(9.0) == ([], [])
    assert record.since(-1.0, 0.0) == ([], [])
    assert Record().period_s is None


# -- complete cycles ---------------------------------------------------------------------------------------------------


def test_a_plain_cycle_is_good_and_teaches() -> None:
    reading = judged(Story().record())
    assert reading.quality is Quality.GOOD
    assert reading.diagnosis == "ok"
    features = reading.features
    assert features.plateau_pa == pytest.approx(19_007.0, abs=5.0)
    assert features.shut_in_pa == pytest.approx(19_000.0, abs=5.0)
    assert features.friction_pa == pytest.approx(7.0, abs=8.0)
    assert features.fill_s == pytest.approx(5.0, abs=0.3)
    assert features.fill_slope_pa_s == pytest.approx(11_000.0 / 5.0, rel=0.1)
    assert reading.opened_at_s == pytest.approx(101.5)
    assert reading.shut_at_s == pytest.approx(107.5)
    assert reading.open_s == pytest.approx(6.0)
    assert reading.learned.cycles == SETTLED.cycles + 1
    assert reading.learned.shut_at_s == pytest.approx(100.0 + reading.trace[-1].t_s)
    assert reading.learned.shut_gauge_pa == pytest.approx(19_000.0, abs=5.0)
    assert reading.learned.proven_gauge_pa == pytest.approx(19_000.0, abs=15.0)


def test_a_fall_after_closing_is_carried_to_the_end_of_the_listening() -> None:
    reading = judged(Story(fall_pa_s=10.0).record())
    assert reading.learned.leak_pa_s == pytest.approx(10.0, abs=2.0)
    assert reading.learned.shut_gauge_pa == pytest.approx(19_000.0 - 30.0, abs=5.0)


def test_a_restricted_tube_teaches_no_friction() -> None:
    reading = judged(Story(plateau_pa=20_000.0).record())
    assert Diagnosis.TUBE_RESTRICTED in reading.codes
    assert reading.learned.friction_ratio == SETTLED.friction_ratio
    assert reading.learned.shut_at_s is not None, "yet what the tube did is kept"


def test_too_few_readings_for_the_moment_of_closing_are_told() -> None:
    reading = judged(Story(period_s=0.9).record())
    assert reading.codes == {Diagnosis.LINK_LOST}
    assert reading.quality is Quality.BAD
    assert reading.level_m is None
    assert reading.learned == SETTLED


def test_a_plateau_below_the_shut_in_was_no_plateau() -> None:
    reading = judged(Story(plateau_pa=18_700.0, ripple_pa=30.0).record())
    assert reading.quality is not Quality.GOOD


def test_a_rise_that_dies_away_is_the_supply_giving_out() -> None:
    """No friction to see, and the second half of the rise takes far longer than the first."""
    story = Story(trapped_pa=500.0, plateau_pa=9_000.0, shut_in_pa=9_000.0, fill_s=12.0, bend=5.0)
    reading = judged(story.record())
    assert reading.codes == {Diagnosis.SUPPLY_LOW}
    assert reading.quality is Quality.BAD
    assert reading.level_m is None
    straight = judged(replace(story, bend=0.0, fill_s=4.0).record())
    assert Diagnosis.SUPPLY_LOW not in straight.codes


def test_a_rise_that_drowns_in_noise_has_no_shape() -> None:
    noisy, clear = (judged(Story(trapped_pa=17_000.0, noise_pa=noise).record()) for noise in (80.0, 2.0))
    assert noisy.features.rise_shape is None
    assert clear.features.rise_shape == pytest.approx(1.0, abs=0.2)


def test_a_plateau_that_the_damping_still_hides_was_reached_at_closing() -> None:
    """Shut 0.6 s after the knee behind a damping of 1 s: no sample has come near the plateau yet."""
    story = Story(damping_s=1.0, hold_s=0.6, shut_in_s=9.0)
    reading = judged(story.record(), learned=replace(SETTLED, damping_s=1.0))
    assert max(sample.gauge_pa for sample in reading.trace if sample.phase is not Phase.SHUT_IN) < 18_500.0
    assert reading.features.shut_in_pa == pytest.approx(19_000.0, abs=15.0)
    assert reading.features.fill_s == pytest.approx(5.0, abs=0.5)


def test_a_cycle_of_which_nothing_is_known_before_the_opening_has_no_fill() -> None:
    record = Story().record()
    record.trapped_pa = None
    reading = judged(record)
    assert reading.features.trapped_pa is None
    assert reading.features.fill_s is None
    assert reading.features.noise_pa is None


@pytest.mark.parametrize("ending", [ending for ending in Ending if ending is not Ending.COMPLETE])
def test_every_other_ending_is_bad_and_says_why(ending: Ending) -> None:
    reading = judge(SUMP, SETTLED, Plan.of(SUMP, SETTLED), Story().record(), ending, 200.0, "coil 4 is stuck")
    assert reading.quality is Quality.BAD
    assert (reading.level_m, reading.head_pa, reading.budget) == (None, None, None)
    assert reading.learned == SETTLED
    (finding,) = reading.findings
    assert finding.sentence
    if ending in (Ending.SILENT, Ending.NOT_OPENED, Ending.NOT_SHUT, Ending.VALVE_SILENT, Ending.ABORTED):
        assert "coil 4 is stuck" in finding.sentence


def test_nothing_read_at_all_is_a_reading_too() -> None:
    reading = judged(Record(), ending=Ending.SILENT)
    assert reading.open_s == 0.0
    assert reading.opened_at_s is None
    assert reading.features.air_pa_m3 == 0.0
    assert "nothing" in reading.findings[0].sentence


def test_a_valve_never_seen_to_shut_counts_as_open_to_the_end() -> None:
    record = Story().record()
    record.shut_s = None
    reading = judged(record, ending=Ending.NOT_SHUT)
    assert reading.open_s == pytest.approx(200.0 - 101.5)


# -- proof that air came ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("up", "down"), [(0.0, 0.0), (30.0, 0.0), (0.0, -30.0), (30.0, -30.0), (0.0, 20.0)])
def test_steps_at_opening_and_closing_are_found(up: float, down: float) -> None:
    """A full tube: a lift alone is no proof, for a weak supply lifts too; what closing takes away or freezes is."""
    story = Story(
        trapped_pa=19_000.0, plateau_pa=19_000.0 + up, shut_in_pa=19_000.0 + up + down, fill_s=0.0, hold_s=1.5
    )
    movement = movement_of(story.record(), Plan.of(BARE, SETTLED), 0.1)
    assert movement is not None
    assert movement.opening_pa == pytest.approx(up, abs=3.0)
    assert movement.closing_pa == pytest.approx(down, abs=3.0)
    assert movement.dropped == (down < 0.0)
    assert movement.froze == (down > 0.0)


def test_a_steady_drift_is_no_movement() -> None:
    story = Story(trapped_pa=19_000.0, plateau_pa=19_000.0, shut_in_pa=19_000.0, fill_s=0.0, hold_s=1.5)
    record = story.record()
    record.gauge_pa = [p + 8.0 * t for p, t in zip(record.gauge_pa, record.times_s, strict=True)]
    movement = movement_of(record, Plan.of(BARE, SETTLED), 0.1)
    assert movement is not None
    assert not movement.dropped
    assert not movement.froze


def test_movement_needs_an_opening_a_closing_and_samples_about_both() -> None:
    plan = Plan.of(SUMP, SETTLED)
    whole = Story().record()
    assert movement_of(whole, plan, 0.1) is not None
    for name in ("opened_s", "shut_s"):
        record = Story().record()
        setattr(record, name, None)
        assert movement_of(record, plan, 0.1) is None
    assert movement_of(Story(shut_in_s=0.2).record(), plan, 0.1) is None


def test_samples_of_three_moments_only_tell_no_movement() -> None:
    """Three bursts of readings: a line and two steps go through them in too many ways."""
    record = Record()
    for start in (1.0, 3.0, 6.0):
        for k in range(8):
            record.add(start + k * 1e-13, 19_000.0 + k % 2, Phase.HOLD)
    record.opened_s, record.shut_s = 2.0, 4.0
    assert movement_of(record, Plan.of(SUMP, SETTLED), 0.1) is None
