"""Whatever the plant, the plug and the link: the transmitter is never pressed beyond its limit, the valve ends shut."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lungfish.core.clearing import Clearing
from lungfish.core.clearing_plan import clear_bounds
from lungfish.core.codes import Diagnosis
from lungfish.core.setup import Learned
from lungfish.rig.plant import Faults
from tests.core.clearing_drive import RETRY_S, Drive, clear_of
from tests.core.samples import plant_of, setup_of


def _blow(seed: int, *, mishaps: bool) -> tuple[Drive, float, int]:
    """One try on a random plant; returns the drive, the limit, and the pulses that were allowed."""
    dice = random.Random(seed)
    line_m = dice.choice([2.0, 8.0, 20.0, 60.0])
    setup = setup_of(
        tube_bore_m=dice.choice([0.006, 0.010, 0.020]),
        line_bore_m=dice.choice([0.0027, 0.0043, 0.008]),
        line_length_m=line_m,
        tee_at_valve=dice.random() < 0.5,
        flow_pa_m3_s=dice.choice([0.5, 1.5, 2.5, 5.0]),
        supply_gauge_pa=dice.choice([90e3, 150e3, 300e3, 600e3]),
        damping_s=dice.choice([None, 0.3]),
    )
    head_m = dice.uniform(0.0, setup.full_head_m)
    damping_s = setup.damping_s if setup.damping_s is not None else dice.uniform(0.02, 0.4)
    faults = Faults(
        plugged=dice.random() < 0.3,
        plug_holds_pa=dice.choice([3e3, 30e3, 100e3, 500e3]),
        plug_left_share=dice.choice([0.05, 0.3, 1.0]),
        plug_weakens_share=dice.choice([0.0, 0.3]),
        flow_factor=dice.choice([1.0, 1.08]),
    )
    plant = plant_of(setup, 0.1 + head_m, seed=seed, faults=faults, damping_s=damping_s, noise_pa=dice.uniform(0.0, 20.0))
    timeout_s, lost_writes, valve_s = dice.choice([0.1, 0.5]), dice.choice([0, 1, 2]), dice.choice([0.0, 0.3])
    takes_s = dice.uniform(0.002, 0.08)
    clear = clear_of(
        setup,
        pressure_pa=dice.choice([55e3, 100e3, 250e3]),
        bears_pa=dice.choice([60e3, 120e3, 300e3]),
        pulses=dice.choice([1, 3]),
        pulse_s=dice.choice([5.0, 60.0]),
        rest_s=5.0,
        delay_s=timeout_s + lost_writes * (timeout_s + RETRY_S) + 2 * takes_s + valve_s + 0.05,
    )
    learned = Learned(damping_s=damping_s, log_damping_u=dice.choice([0.1, 1.0]))
    clearing = Clearing(setup, clear, clear_bounds(setup, clear, learned), learned, Diagnosis.TUBE_PLUGGED)
    drive = Drive(plant, dice, takes_s=takes_s, timeout_s=timeout_s, valve_s=valve_s)
    if mishaps:
        drive.lost_share = dice.choice([0.0, 0.01, 0.1])
        drive.lost_writes, drive.lost_write_share = lost_writes, 0.4
        drive.die_at_event = dice.choice([None, dice.randrange(400)])
    plant.highest_pa = -math.inf
    drive.run(clearing, abort_at_s=dice.choice([None, dice.uniform(0.0, 60.0)]) if mishaps else None)
    return drive, clear.limit_pa, clear.pulses


def _examine(seed: int, *, mishaps: bool) -> Drive:
    drive, limit_pa, pulses = _blow(seed, mishaps=mishaps)
    plant = drive.plant
    assert plant.highest_pa <= limit_pa, f"seed {seed}: {plant.highest_pa:.0f} Pa at the transmitter, limit {limit_pa:.0f}"
    assert not plant.coil, f"seed {seed}: the valve is left open"
    assert drive.openings <= pulses, f"seed {seed}: opened more often than allowed"
    assert drive.dead or drive.reading is not None
    if drive.reading is not None:
        assert drive.reading.level_m is None  # a blow-down measures nothing
    return drive


@settings(max_examples=150)
@given(seed=st.integers(0, 2**32))
def test_the_transmitter_is_never_pressed_beyond_its_limit_whatever_goes_wrong(seed: int) -> None:
    _examine(seed, mishaps=True)


def test_on_a_good_link_plugs_are_pressed_hard_all_the_same() -> None:
    # a machine that never opens would be safe and useless
    drives = [_examine(seed, mishaps=False) for seed in range(60)]
    opened = [drive for drive in drives if drive.openings]
    assert len(opened) > 25
    assert max(drive.plant.highest_pa for drive in opened) > 80e3


@pytest.mark.campaign
@pytest.mark.timeout(3000)
def test_ten_thousand_such_tries() -> None:
    highest_share, opened, dead = 0.0, 0, 0
    for seed in range(10_000):
        drive, limit_pa, _ = _blow(seed, mishaps=True)
        assert drive.plant.highest_pa <= limit_pa, f"seed {seed}"
        assert not drive.plant.coil, f"seed {seed}"
        opened += drive.openings > 0
        dead += drive.dead
        if drive.openings:
            highest_share = max(highest_share, drive.plant.highest_pa / limit_pa)
    print(f"10,000 tries, {opened} with an opening, {dead} cut off by death; highest {highest_share:.3f} of the limit")
