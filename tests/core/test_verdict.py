"""A valve that does not close although it says so, and a transmitter that repeats itself."""

from __future__ import annotations

from dataclasses import replace

import pytest

from lungfish.core.codes import Diagnosis, Quality
from lungfish.core.setup import Learned
from tests.core.samples import SUMP
from tests.core.stories import BARE, Story, judged
from tests.core.test_evidence import KNOWN, still_at

RIPPLED = Story(ripple_pa=60.0)


# -- stuck open ------------------------------------------------------------------------------------------------------


def test_bubbles_that_go_on_after_closing_are_a_valve_stuck_open() -> None:
    """It blows air into the tank until somebody comes: the second worst that can happen."""
    reading = judged(replace(RIPPLED, ripples_on=True).record(), learned=KNOWN)
    assert reading.codes == {Diagnosis.VALVE_STUCK_OPEN}
    assert reading.quality is Quality.UNCERTAIN
    assert reading.learned.stuck_open
    assert Diagnosis.VALVE_STUCK_OPEN not in judged(RIPPLED.record(), learned=KNOWN).codes


def test_a_tank_that_is_never_quiet_is_not_a_stuck_valve() -> None:
    """Waves or an agitator: as restless before opening as after closing."""
    story = replace(RIPPLED, ripples_on=True, ripples_before=True)
    assert Diagnosis.VALVE_STUCK_OPEN not in judged(story.record(), learned=KNOWN).codes


def test_once_stuck_the_bubbles_before_opening_are_no_excuse() -> None:
    """It would be called once, and well ever after."""
    story = replace(RIPPLED, ripples_on=True, ripples_before=True)
    reading = judged(story.record(), learned=replace(KNOWN, stuck_open=True))
    assert Diagnosis.VALVE_STUCK_OPEN in reading.codes
    healed = judged(RIPPLED.record(), learned=reading.learned)
    assert Diagnosis.VALVE_STUCK_OPEN not in healed.codes
    assert not healed.learned.stuck_open


def test_friction_that_closing_does_not_take_away_is_a_stuck_valve_and_no_head() -> None:
    """900 Pa of friction in the shut-in would read 92 mm too high."""
    story = Story(plateau_pa=19_900.0, shut_in_pa=19_900.0, hold_s=1.5)
    reading = judged(story.record(), setup=SUMP, learned=KNOWN)
    assert reading.codes == {Diagnosis.VALVE_STUCK_OPEN}
    assert reading.quality is not Quality.GOOD
    sound = judged(replace(story, shut_in_pa=19_000.0).record(), setup=SUMP, learned=KNOWN)
    assert sound.quality is Quality.GOOD
    assert reading.level_m is not None
    assert sound.level_m is not None
    assert reading.level_m.value == pytest.approx(sound.level_m.value, abs=0.005)
    assert reading.learned.friction_ratio == KNOWN.friction_ratio, "nothing is learned of friction from it"


@pytest.mark.parametrize("story", [Story(fill_s=16.0), Story(fill_s=16.0, bend=5.0)])
def test_a_supply_that_gave_out_is_not_a_stuck_valve(story: Story) -> None:
    """Nothing flowed at closing, so nothing ended: a technician would be sent to the wrong end."""
    weak = replace(story, plateau_pa=15_000.0, shut_in_pa=15_000.0, trapped_pa=3_000.0, hold_s=1.5)
    assert judged(weak.record(), setup=SUMP, learned=KNOWN).codes == {Diagnosis.SUPPLY_LOW}


# -- frozen ----------------------------------------------------------------------------------------------------------

STANDING = replace(still_at(19_000.0), noise_pa=0.0)


def test_a_transmitter_that_always_stirred_and_stands_still_is_frozen() -> None:
    """The level would stay where it was last, for good, whatever the tank does."""
    reading = judged(STANDING.record(), learned=KNOWN)
    assert reading.codes == {Diagnosis.TRANSMITTER_FROZEN}
    assert reading.quality is Quality.BAD
    assert reading.level_m is None
    assert reading.learned.proven_gauge_pa == KNOWN.proven_gauge_pa
    assert "19000.0 Pa" in reading.findings[0].sentence


def test_a_coarse_transmitter_that_never_stirs_is_not_frozen() -> None:
    """Steps larger than its noise: a full tube looks like that each time, and it would be bad for ever."""
    reading = judged(STANDING.record(), learned=replace(KNOWN, stirs=False))
    assert Diagnosis.TRANSMITTER_FROZEN not in reading.codes
    assert reading.level_m is not None


def test_a_coarse_transmitter_that_stops_where_the_pressure_had_to_move_is_frozen() -> None:
    """It has moved before the opening, and then no more."""
    record = STANDING.record()
    record.gauge_pa = [p - 40.0 if t < 1.0 else p for t, p in zip(record.times_s, record.gauge_pa, strict=True)]
    assert judged(record, learned=replace(KNOWN, stirs=False)).codes == {Diagnosis.TRANSMITTER_FROZEN}


def test_one_value_that_differs_is_enough_to_be_alive() -> None:
    record = STANDING.record()
    record.gauge_pa[-5] += 1.0
    assert Diagnosis.TRANSMITTER_FROZEN not in judged(record, learned=KNOWN).codes


@pytest.mark.parametrize("stop_pa", [BARE.span_low_pa, -700.0, BARE.span_high_pa])
def test_at_its_stop_it_stands_still_by_right(stop_pa: float) -> None:
    """An uncovered tip, or the suction of a flooded tube: sending somebody for the transmitter would be wrong."""
    reading = judged(replace(still_at(stop_pa), noise_pa=0.0).record(), learned=KNOWN)
    assert Diagnosis.TRANSMITTER_FROZEN not in reading.codes


def test_few_samples_do_not_make_it_frozen() -> None:
    story = replace(STANDING, period_s=0.4)
    assert Diagnosis.TRANSMITTER_FROZEN not in judged(story.record(), learned=KNOWN).codes


def test_a_transmitter_that_stirs_is_remembered_as_one() -> None:
    """Or the first one that freezes would pass for a coarse one."""
    assert judged(Story().record(), learned=Learned()).learned.stirs
    assert judged(STANDING.record(), learned=KNOWN).learned.stirs, "and its freezing does not make one forget"


# -- nothing left ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("gauge_pa", "noise_pa"), [(0.0, 0.0), (0.0, 2.0), (20.0, 2.0), (-50.0, 2.0)])
def test_no_pressure_and_no_sign_of_air_is_not_a_good_empty_tank(gauge_pa: float, noise_pa: float) -> None:
    """A hose that is off, or a transmitter that reads nothing: the tank may be full, and a pump would run on."""
    reading = judged(replace(still_at(gauge_pa), noise_pa=noise_pa).record(), learned=KNOWN)
    assert reading.quality is not Quality.GOOD
    assert reading.learned.proven_gauge_pa == KNOWN.proven_gauge_pa, "nothing was proven there"


def test_air_that_flows_off_without_a_head_is_a_good_empty_tank() -> None:
    """Friction shows that it flows."""
    story = Story(trapped_pa=0.0, plateau_pa=1_100.0, shut_in_pa=0.0, fill_s=0.3, hold_s=1.5)
    reading = judged(story.record(), setup=SUMP, learned=replace(KNOWN, proven_gauge_pa=300.0, shut_gauge_pa=0.0))
    assert reading.codes == {Diagnosis.TIP_UNCOVERED}
    assert reading.quality is Quality.GOOD
    assert reading.level_m is not None
    assert reading.level_m.value == SUMP.tip_m
