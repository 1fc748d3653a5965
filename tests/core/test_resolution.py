"""The steps in which a transmitter's values move: found where there are some, and only there.

Lost if it broke: a coarse converter's level shown as good, centimetres off, or a fine one's taken for coarse.
"""

from __future__ import annotations

import dataclasses
import math
import random
import struct

import numpy as np
import pytest

from lungfish.core.codes import Diagnosis, Quality
from lungfish.core.expect import unit_weight_pa_m
from lungfish.core.record import Record
from lungfish.core.resolution import in_steps, resolution_pa, step_u_pa
from tests.core.stories import BARE, SETTLED, Story, judged


def noisy(count: int, sd_pa: float = 2.0) -> list[float]:
    rng = random.Random(5)
    return [19_000.0 + 30.0 * math.sin(0.1 * k) + rng.gauss(0.0, sd_pa) for k in range(count)]


def as_float32(value: float) -> float:
    return float(struct.unpack(">f", struct.pack(">f", value))[0])


@pytest.mark.parametrize(
    "step_pa",
    [
        1.0,  # a register that counts pascals
        60_000.0 / 27_648.0,  # an analogue module that counts its range to 27,648 (common practice)
        60_000.0 / 4_000.0,  # 12 bits over 0 to 20 mA, of which 4 to 20 mA are used
        20.0,
        2_000.0,
    ],
)
def test_steps_of_registers_and_converters_are_found(step_pa: float) -> None:
    offset_pa = -0.25 * 60_000.0
    counts = [round((value - offset_pa) / step_pa) for value in noisy(300, max(2.0, 0.6 * step_pa))]
    assert resolution_pa([offset_pa + step_pa * n for n in counts]) == pytest.approx(step_pa, rel=1e-6)


def test_a_step_is_found_though_no_two_neighbours_were_seen() -> None:
    """Differences of two and of three steps: their greatest common measure is one (Euclid)."""
    assert resolution_pa([100.0, 140.0, 200.0] * 10) == pytest.approx(20.0)


@pytest.mark.parametrize(
    "values",
    [
        noisy(300),
        [as_float32(value) for value in noisy(300)],
        [as_float32(value / 1000.0) * 1000.0 for value in noisy(300)],
        [value for value in noisy(60) for _ in range(5)],  # a gateway that gives each value five times
        [19_000.0] * 300,
        [18_000.0, 20_000.0] * 8,  # too few to tell
        [],
    ],
    ids=["doubles", "floats", "floats in kPa", "each five times", "one value", "few", "none"],
)
def test_values_that_move_in_no_steps_have_none(values: list[float]) -> None:
    assert resolution_pa(values) == 0.0


def test_a_step_s_uncertainty_is_that_of_a_rectangle() -> None:
    draws = np.random.default_rng(1).uniform(-10.0, 10.0, 200_000)
    assert step_u_pa(20.0) == pytest.approx(float(np.std(draws)), rel=5e-3)


def stepped(story: Story, step_pa: float) -> Record:
    record = story.record()
    record.gauge_pa = [step_pa * round(value / step_pa) for value in record.gauge_pa]
    return record


def test_a_record_without_steps_is_left_alone() -> None:
    record = Story().record()
    same, learned = in_steps(record, SETTLED)
    assert same is record
    assert learned is SETTLED


@pytest.mark.parametrize("step_pa", [50.0, 150.0, 250.0, 350.0])
@pytest.mark.parametrize("shift_pa", [0.0, 0.25, 0.5, 0.75])
def test_a_coarse_level_is_within_what_it_states(step_pa: float, shift_pa: float) -> None:
    """Noise far below a step: the error is anything up to half of one, and no averaging makes it less."""
    head_pa = 19_000.0 + shift_pa * step_pa
    reading = judged(stepped(Story(shut_in_pa=head_pa, plateau_pa=head_pa + 7.0), step_pa))
    true = judged(Story(shut_in_pa=head_pa, plateau_pa=head_pa + 7.0).record())
    assert reading.level_m is not None
    assert true.level_m is not None
    off_m = reading.level_m.value - true.level_m.value
    assert abs(off_m) < 2.0 * reading.level_m.u
    assert reading.level_m.u > 0.9 * step_u_pa(step_pa) / unit_weight_pa_m(BARE)


def test_steps_too_large_for_a_level_are_told_and_teach_no_shut_in() -> None:
    reading = judged(stepped(Story(), 2_000.0))
    assert reading.findings[0].code is Diagnosis.TRANSMITTER_FROZEN
    assert reading.quality is Quality.UNCERTAIN
    assert "steps of 2000 Pa" in reading.findings[0].sentence
    assert reading.learned.shut_gauge_pa is None


def test_small_steps_are_not_the_ripple_of_air_that_flows_on() -> None:
    """The transmitter was quieter in the cycles before; its steps say nothing of the valve."""
    learned = dataclasses.replace(SETTLED, noise_pa=1.0, stirs=True)
    for shift_pa in range(0, 20, 2):
        story = Story(noise_pa=2.0, ripple_pa=25.0, plateau_pa=19_007.0 + shift_pa, shut_in_pa=19_000.0 + shift_pa)
        record = stepped(story, 20.0)
        record.noise_pa = 0.5  # the look stood still on one step
        reading = judged(record, learned=learned)
        assert reading.diagnosis == "ok"
        assert reading.quality is Quality.GOOD
