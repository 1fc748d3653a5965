"""Evidence on a cycle: did air come, did it reach the tip, and how far off may the level be when nothing shows it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy.optimize import brentq

from lungfish.core.balance import UNPROVEN_M, balance_of, hidden_rise_pa, keeps_air, unproven_m
from lungfish.core.codes import Diagnosis, Quality
from lungfish.core.evidence import dying_rise, late_rise, timely_rise, tip_proven
from lungfish.core.expect import unit_weight_pa_m
from lungfish.core.setup import CycleSetup, Learned
from lungfish.rig.drive import run_plant_cycle
from lungfish.rig.plant import Plant
from tests.campaign.seeded_plants import draw_plant
from tests.core.samples import SUMP, plant_of, setup_of
from tests.core.stories import BARE, SETTLED, Story, case_of, judged

KNOWN = replace(
    SETTLED,
    proven_gauge_pa=19_000.0,
    shut_gauge_pa=19_000.0,
    shut_at_s=-500.0,
    lost_pa_s=0.0,
    leak_pa_s=0.0,
    leak_u_pa_s=1.0,
    noise_pa=2.0,
    stirs=True,
)
"""A tight tube whose air was proven ten minutes ago."""


def still_at(gauge_pa: float, *, lift_pa: float = 0.0) -> Story:
    """A full tube: nothing moves but for what opening lifts."""
    after_pa = gauge_pa + lift_pa
    return Story(trapped_pa=gauge_pa, plateau_pa=after_pa, shut_in_pa=after_pa, fill_s=0.0, hold_s=1.5)


# -- the time of the rise --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fill_s", [4.0, 5.0, 6.0, 7.0])
def test_a_rise_that_took_its_time_and_stopped_proves_air(fill_s: float) -> None:
    """The set flow needs 5.4 s. Without it no tank with its valve at the tube would ever get its first good level."""
    reading = judged(Story(fill_s=fill_s).record())
    assert timely_rise(case_of(Story(fill_s=fill_s).record()))
    assert reading.quality is Quality.GOOD
    assert reading.learned.proven_gauge_pa == pytest.approx(19_000.0, abs=15.0)


def test_a_rise_that_was_far_too_short_proves_nothing() -> None:
    """Pressed up in a quarter of the time: a shut line end was filled, not the tube."""
    case = case_of(Story(fill_s=1.2).record())
    assert not timely_rise(case)
    assert not tip_proven(case)
    reading = judged(Story(fill_s=1.2).record())
    assert reading.quality is not Quality.GOOD
    assert reading.learned.proven_gauge_pa is None, "or the next cycle would build on it"


@pytest.mark.parametrize("fill_s", [14.0, 20.0, 40.0])
def test_a_rise_that_took_far_too_long_is_a_supply_that_gives_too_little(fill_s: float) -> None:
    """It stops at the supply's pressure as it would at the tip: read as a level it would be too low by any amount."""
    case = case_of(Story(fill_s=fill_s).record())
    late = late_rise(case)
    assert late is not None
    assert late[0] == pytest.approx(fill_s, rel=0.05)
    assert not timely_rise(case)
    reading = judged(Story(fill_s=fill_s).record())
    assert reading.codes == {Diagnosis.SUPPLY_LOW}
    assert reading.level_m is None


@pytest.mark.parametrize("fill_s", [0.0, 5.0, 7.0])
def test_a_rise_of_a_sound_tube_is_neither_late_nor_dying(fill_s: float) -> None:
    case = case_of(Story(trapped_pa=8_000.0 if fill_s else 19_000.0, fill_s=fill_s).record())
    assert late_rise(case) is None
    assert dying_rise(case) is None


@pytest.mark.parametrize(("bend", "dies"), [(0.0, False), (0.5, False), (3.0, True), (5.0, True)])
def test_a_rise_that_dies_away_is_told_from_one_that_goes_on(bend: float, dies: bool) -> None:
    """A flow that ends at the supply's pressure gives 2.7 in the end, a steady one 1."""
    story = Story(trapped_pa=500.0, plateau_pa=9_000.0, shut_in_pa=9_000.0, fill_s=5.0, bend=bend)
    case = case_of(story.record())
    assert (dying_rise(case) is not None) == dies
    assert not (dies and timely_rise(case)), "it must not prove the tip by its time"


def test_a_pressure_still_on_its_way_at_closing_is_no_knee() -> None:
    """The transmitter lags: the shut-in ends well above what was seen before."""
    assert not timely_rise(case_of(Story(plateau_pa=18_000.0, shut_in_pa=19_000.0).record()))


def test_a_rise_too_short_to_time_does_not_prove_by_its_time() -> None:
    assert not timely_rise(case_of(Story(trapped_pa=18_800.0, fill_s=0.1).record()))


# -- what a rising level owes ----------------------------------------------------------------------------------------


def squeezed_pa(setup: CycleSetup, from_pa: float, rise_pa: float) -> tuple[float, float]:
    """What a shut tube shows after the head has risen, and what it hides, both Pa. By Boyle's law (scipy's root)."""
    weight, space, atmosphere = unit_weight_pa_m(setup), setup.air_space, setup.atmosphere_abs_pa

    def surplus(in_m: float) -> float:
        air_abs_pa = (atmosphere + from_pa) * space.volume_m3 / (space.volume_m3 - space.area_m2 * in_m)
        return air_abs_pa - (atmosphere + from_pa + rise_pa - weight * in_m)

    in_m = float(brentq(surplus, 0.0, 0.99 * space.volume_m3 / space.area_m2))
    return rise_pa - weight * in_m, weight * in_m


@pytest.mark.parametrize("setup", [BARE, SUMP, setup_of(tube_bore_m=0.02, line_length_m=50.0)])
@pytest.mark.parametrize("rise_pa", [100.0, 1_000.0, 5_000.0])
def test_what_a_shut_tube_hides_of_a_rise_is_what_boyle_says(setup: CycleSetup, rise_pa: float) -> None:
    """Too little of it and lost air would be good; too much and a sound tank would be called without air."""
    shown_pa, hidden_pa = squeezed_pa(setup, 19_000.0, rise_pa)
    assert hidden_rise_pa(setup, shown_pa, 19_000.0 + shown_pa) == pytest.approx(hidden_pa, rel=0.06)


def test_a_fall_hides_nothing_in_a_tight_tube() -> None:
    """The air pushes out at the tip and the pressure follows."""
    assert hidden_rise_pa(BARE, -2_000.0, 17_000.0) == 0.0


@pytest.mark.parametrize("rise_pa", [500.0, 1_500.0, 5_000.0])
def test_an_opening_that_brings_what_is_owed_proves_air(rise_pa: float) -> None:
    shown_pa, hidden_pa = squeezed_pa(BARE, 19_000.0, rise_pa)
    case = case_of(still_at(19_000.0 + shown_pa, lift_pa=hidden_pa).record(), learned=KNOWN)
    assert balance_of(case).paid
    reading = judged(still_at(19_000.0 + shown_pa, lift_pa=hidden_pa).record(), learned=KNOWN)
    assert reading.quality is Quality.GOOD
    assert reading.learned.owed_pa == 0.0, "paid is paid"


@pytest.mark.parametrize("rise_pa", [1_000.0, 1_500.0, 5_000.0])
def test_an_opening_that_brings_nothing_of_it_is_no_air(rise_pa: float) -> None:
    """The level is squeezed and reads too low by what is hidden: never good, and what is stated covers it."""
    shown_pa, hidden_pa = squeezed_pa(BARE, 19_000.0, rise_pa)
    record = still_at(19_000.0 + shown_pa).record()
    assert balance_of(case_of(record, learned=KNOWN)).unpaid
    reading = judged(record, learned=KNOWN)
    assert reading.codes == {Diagnosis.NO_AIR}
    assert reading.quality is not Quality.GOOD
    assert reading.level_m is not None
    assert 2.0 * reading.level_m.u > hidden_pa / unit_weight_pa_m(BARE)
    assert reading.learned.proven_gauge_pa == KNOWN.proven_gauge_pa
    assert reading.learned.owed_pa == pytest.approx(hidden_pa, rel=0.1), "and it goes on being owed"


def test_small_debts_add_up_over_cycles() -> None:
    """A level that creeps up without air: no single cycle tells, but what is stated grows with what is hidden."""
    learned, gauge_pa, hidden_m = KNOWN, 19_000.0, 0.0
    qualities = []
    for cycle in range(40):
        shown_pa, hidden_pa = squeezed_pa(BARE, gauge_pa, 60.0)
        gauge_pa, hidden_m = gauge_pa + shown_pa, hidden_m + hidden_pa / unit_weight_pa_m(BARE)
        record = still_at(gauge_pa).record()
        record.started_at_s = 100.0 + 600.0 * cycle
        reading = judged(record, learned=learned)
        assert reading.level_m is not None
        assert 2.0 * reading.level_m.u > hidden_m
        qualities.append(reading.quality)
        learned = reading.learned
    assert hidden_m > 0.05, "the premise of this test"
    assert qualities[0] is Quality.GOOD
    assert qualities[-1] is not Quality.GOOD


@pytest.mark.parametrize("shown_pa", [-2_000.0, 0.0, 5.0, 20.0])
def test_a_level_that_hardly_rose_owes_too_little_to_tell(shown_pa: float) -> None:
    """Else noise would call a sound tank without air."""
    balance = balance_of(case_of(still_at(19_000.0 + shown_pa).record(), learned=KNOWN))
    assert not balance.telling
    assert not balance.paid
    assert not balance.unpaid


def test_nothing_is_owed_where_nothing_was_known_before() -> None:
    learned = replace(KNOWN, shut_gauge_pa=None)
    assert balance_of(case_of(still_at(22_000.0).record(), learned=learned)).owed_pa == 0.0


def test_what_an_earlier_opening_brought_does_not_pay_for_this_one() -> None:
    """Little flow over several purges brings all of what the level hides, but for the last purge: 2 kPa too low."""
    shown_pa, hidden_pa = squeezed_pa(BARE, 19_000.0, 5_000.0)
    learned = judged(still_at(19_000.0 + shown_pa, lift_pa=0.55 * hidden_pa).record(), learned=KNOWN).learned
    assert learned.owed_pa == pytest.approx(0.45 * hidden_pa, rel=0.1)
    record = still_at(19_000.0 + shown_pa + 0.55 * hidden_pa).record()
    record.started_at_s = 700.0
    reading = judged(record, learned=learned)
    assert not balance_of(case_of(record, learned=learned)).paid
    assert reading.quality is not Quality.GOOD


def test_a_level_that_turned_unseen_is_covered_by_what_is_stated() -> None:
    """It falls by 0.5 m and has risen 0.1 m again before the next purge, without air: 32 mm of that are hidden."""

    def level_m(t_s: float) -> float:
        return 2.0 - 0.001 * t_s if t_s < 1_700.0 else 0.3 + 0.001 * (t_s - 1_700.0)

    plant, learned = plant_of(BARE, level_m, noise_pa=5.0), Learned()
    for number in range(4):
        plant.advance(number * 600.0)
        plant.faults.valve_stuck = False if number == 3 else None
        reading = run_plant_cycle(plant, BARE, learned)
        learned = reading.learned
    assert reading.level_m is not None
    assert reading.shut_at_s is not None
    error_m = reading.level_m.value - level_m(reading.shut_at_s)
    assert error_m < -0.02, "the premise of this test"
    assert abs(error_m) < 2.0 * reading.level_m.u
    assert reading.quality is not Quality.GOOD


# -- the small friction of a wide tube ---------------------------------------------------------------------------------


def proven_at_last(supply_gauge_pa: float) -> bool:
    """Whether eight purges of a narrow tube show air: 36 Pa of friction, 14 Pa of noise, 44 Pa of ripple."""
    seeded = draw_plant(20_640)
    truth = replace(seeded.params, supply_gauge_pa=supply_gauge_pa, leak_pa_m3_s_pa=0.0)
    plant, learned = Plant(truth, 1), Learned()
    for number in range(8):
        plant.advance(number * 600.0)
        learned = replace(run_plant_cycle(plant, seeded.setup, learned, seeded.timing).learned, shut_gauge_pa=None)
        assert number > 0 or learned.proven_gauge_pa is None, "the premise: a single purge does not show it"
    return learned.proven_gauge_pa is not None


def test_a_small_friction_proves_air_by_many_closings() -> None:
    """Else such a tank would be told to have no air for ever."""
    assert proven_at_last(supply_gauge_pa=400_000.0)


def test_many_closings_without_friction_prove_nothing() -> None:
    """A supply that gives out 1 kPa above nothing: it rises and stops each time, far below the tip's pressure."""
    assert not proven_at_last(supply_gauge_pa=1_000.0)


# -- how far off, unproven -------------------------------------------------------------------------------------------


def test_a_tight_tube_is_followed_down_without_proof() -> None:
    """Half an hour of lost air must not blind a tank whose trapped air still tells its level."""
    case = case_of(still_at(15_000.0).record(), learned=KNOWN)
    assert not tip_proven(case)
    assert keeps_air(case)
    doubt_m = unproven_m(case)
    assert doubt_m is not None
    assert doubt_m < 0.003
    assert judged(still_at(15_000.0).record(), learned=KNOWN).quality is Quality.GOOD


@pytest.mark.parametrize("lost_pa_s", [0.4, 2.0, None])
def test_a_fall_that_may_be_a_leak_is_all_in_the_doubt(lost_pa_s: float | None) -> None:
    """500 Pa down, and the head may not have moved at all."""
    learned = replace(KNOWN, lost_pa_s=lost_pa_s)
    case = case_of(still_at(18_500.0).record(), learned=learned)
    assert not keeps_air(case)
    doubt_m = unproven_m(case)
    assert doubt_m is not None
    assert doubt_m > 500.0 / unit_weight_pa_m(BARE)
    reading = judged(still_at(18_500.0).record(), learned=learned)
    assert reading.quality is not Quality.GOOD
    assert reading.level_m is not None
    assert 2.0 * reading.level_m.u > 500.0 / unit_weight_pa_m(BARE)


def test_the_doubt_grows_with_the_time_that_the_tube_was_shut() -> None:
    doubts = []
    for shut_at_s in (0.0, -500.0, -3_000.0):
        learned = replace(KNOWN, lost_pa_s=0.3, shut_at_s=shut_at_s)
        doubts.append(unproven_m(case_of(still_at(19_000.0).record(), learned=learned)) or 0.0)
    assert 0.0 < doubts[0] < doubts[1] < doubts[2]
    restarted = replace(KNOWN, lost_pa_s=0.3, shut_at_s=None)
    assert (unproven_m(case_of(still_at(19_000.0).record(), learned=restarted)) or 0.0) > doubts[1], (
        "how long, who knows"
    )


def test_the_doubt_ends_at_a_brim_full_tank() -> None:
    learned = replace(KNOWN, lost_pa_s=50.0, shut_at_s=-100_000.0)
    assert unproven_m(case_of(still_at(12_000.0).record(), learned=learned)) == BARE.full_head_m


def test_never_proven_is_not_known_at_all() -> None:
    """A full tube at the first start: it shows a pressure, and nothing says that it is the head's."""
    learned = replace(KNOWN, proven_gauge_pa=None)
    assert unproven_m(case_of(still_at(19_000.0).record(), learned=learned)) is None
    reading = judged(still_at(19_000.0).record(), learned=learned)
    assert reading.quality is not Quality.GOOD
    assert reading.learned.proven_gauge_pa is None


def test_a_leak_that_is_small_for_an_interval_is_none() -> None:
    """0.2 Pa/s: 12 mm in ten minutes is kept, in an hour of silence it is not."""
    weight = unit_weight_pa_m(BARE)
    for gap_s, keeps in ((600.0, True), (3_600.0, False)):
        learned = replace(KNOWN, lost_pa_s=0.2, shut_at_s=100.0 - gap_s)
        assert keeps_air(case_of(still_at(19_000.0).record(), learned=learned)) == keeps
        assert (0.2 * gap_s < UNPROVEN_M * weight) == keeps
