"""Air of a cycle: what the ledger books, and the least that the reading could have cost."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lungfish.core.air import air_used_pa_m3, first_bubble_after_s, least_air_pa_m3
from lungfish.core.reading import Phase
from lungfish.core.record import Record
from lungfish.physics.column import gauge_at_transmitter_pa
from tests.core.samples import SUMP, setup_of


def at_transmitter_pa(head_m: float) -> float:
    return gauge_at_transmitter_pa(
        head_m, density_kg_m3=998.2, gravity_m_s2=9.80665, height_m=4.5, atmosphere_pa=101_325.0, air_k=293.15
    )


HEAD_PA = at_transmitter_pa(1.9)


def record_of(samples: list[tuple[float, float]], *, opened: float | None, shut: float | None) -> Record:
    record = Record()
    for t_s, gauge_pa in samples:
        record.add(t_s, gauge_pa, Phase.FILL)
    record.open_commanded_s = record.opened_s = opened
    record.shut_s = shut
    return record


def test_a_choked_restrictor_lets_in_flow_times_time() -> None:
    """2.5 Pa m3/s for 8 s: 20 Pa m3, 0.2 standard litres of 1 bar."""
    record = record_of([(0.1 * k, 10_000.0) for k in range(100)], opened=1.0, shut=9.0)
    assert air_used_pa_m3(SUMP, record) == pytest.approx(20.0, rel=1e-12)


def test_flow_that_fades_towards_the_supply_is_booked_as_it_fades() -> None:
    """Half a second at each of two pressures, by hand: r = 0.6 gives 0.9035079 of the choked flow (ISO 6358-1)."""
    setup = setup_of(line_length_m=0.0)
    record = record_of([(0.0, 0.0), (0.5, 0.0), (1.0, 139_470.0), (1.5, 139_470.0)], opened=0.0, shut=1.5)
    by_hand = 2.5 * (0.5 + 0.5 * (1.0 + 0.9035079) / 2 + 0.5 * 0.9035079)
    assert air_used_pa_m3(setup, record) == pytest.approx(by_hand, rel=1e-6)


def test_friction_that_the_transmitter_does_not_see_still_slows_the_flow() -> None:
    """At the tube's end the restrictor stands against tube and line, at the valve's end against what is read."""
    seen, unseen = (setup_of(tee_at_valve=tee, line_length_m=60.0, supply_gauge_pa=60e3) for tee in (True, False))
    record = record_of([(0.1 * k, 40_000.0) for k in range(50)], opened=0.0, shut=4.9)
    at_valve, at_tube = air_used_pa_m3(seen, record), air_used_pa_m3(unseen, record)
    assert at_valve is not None
    assert at_tube is not None
    assert 0.0 < at_tube < at_valve


def test_a_valve_that_was_never_opened_used_nothing() -> None:
    assert air_used_pa_m3(SUMP, record_of([(0.0, 5.0)], opened=None, shut=None)) == 0.0


def test_an_opening_of_which_nothing_was_read_is_not_known() -> None:
    assert air_used_pa_m3(SUMP, record_of([], opened=1.0, shut=2.0)) is None


def test_between_samples_the_flow_is_that_of_the_last_pressure() -> None:
    record = record_of([(0.0, 5_000.0)], opened=1.0, shut=3.0)
    assert air_used_pa_m3(SUMP, record) == pytest.approx(5.0)


def test_a_valve_not_seen_to_shut_counts_as_open_to_the_last_sample() -> None:
    record = record_of([(0.1 * k, 10_000.0) for k in range(51)], opened=1.0, shut=None)
    assert air_used_pa_m3(SUMP, record) == pytest.approx(2.5 * 4.0, rel=1e-9)


def test_stamps_that_run_back_never_book_less_than_nothing() -> None:
    record = record_of([(-30.0, 10_000.0), (-29.0, 10_000.0)], opened=1.0, shut=-28.0)
    used = air_used_pa_m3(SUMP, record)
    assert used is not None
    assert used >= 0.0


def test_least_air_of_a_flooded_tube() -> None:
    """18,599.1 x 0.643869e-3 to compress, 101,325 x 78.5398e-6 x 1.9 to push out: 27.10 Pa m3, at 1.9 m of head."""
    flooded_pa = gauge_at_transmitter_pa(
        1.9,
        density_kg_m3=998.2,
        gravity_m_s2=9.80665,
        height_m=4.5,
        atmosphere_pa=101_325.0,
        air_k=293.15,
        surface_rise_m=1.9,
    )
    assert least_air_pa_m3(SUMP, flooded_pa, HEAD_PA) == pytest.approx(27.10, abs=0.05)
    assert least_air_pa_m3(SUMP, HEAD_PA, HEAD_PA) == pytest.approx(0.0, abs=1e-6), "a tight tube keeps its air"
    assert least_air_pa_m3(SUMP, HEAD_PA + 500.0, HEAD_PA) == 0.0
    assert least_air_pa_m3(SUMP, -50.0, -20.0) == pytest.approx(0.0, abs=1e-3), "nothing above the tip, nothing to push"


def test_first_bubble_is_least_air_over_flow_and_the_packing_of_the_line() -> None:
    """27.10 / 2.5 = 10.84 s; half the line's 897.6 Pa of friction in 0.29044 L is 0.13 Pa m3 more, 0.05 s."""
    assert first_bubble_after_s(SUMP, 0.0, HEAD_PA) == pytest.approx(10.89, abs=0.05)
    assert first_bubble_after_s(SUMP, HEAD_PA, HEAD_PA) == pytest.approx(0.052, abs=0.005)
    assert first_bubble_after_s(setup_of(line_length_m=0.0), HEAD_PA, HEAD_PA) == pytest.approx(0.0, abs=1e-6)
    assert first_bubble_after_s(setup_of(flow_pa_m3_s=0.0), 0.0, HEAD_PA) == 0.0


@given(trapped=st.floats(0.0, 15_000.0), more=st.floats(1.0, 5_000.0), flow=st.floats(0.3, 3.0))
@settings(max_examples=100, deadline=None)
def test_less_trapped_or_more_head_costs_more_air_and_time(trapped: float, more: float, flow: float) -> None:
    setup = setup_of(flow_pa_m3_s=flow)
    assert least_air_pa_m3(setup, trapped, HEAD_PA + more) > least_air_pa_m3(setup, trapped, HEAD_PA)
    assert least_air_pa_m3(setup, max(0.0, trapped - more), HEAD_PA) >= least_air_pa_m3(setup, trapped, HEAD_PA)
    quicker = first_bubble_after_s(setup_of(flow_pa_m3_s=1.5 * flow), trapped, HEAD_PA)
    assert quicker < first_bubble_after_s(setup, trapped, HEAD_PA)
