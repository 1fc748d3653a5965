"""Air that does not come to a tube that is full: what the trapped air may still be believed, and what not.

With the transmitter at the tube's end there is no friction to see. A tube that is full and tight follows a falling
level exactly; a rising level squeezes its air and is read too low.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from lungfish.core.codes import Diagnosis, Quality
from lungfish.core.reading import Reading
from lungfish.core.setup import Learned
from lungfish.rig.drive import run_plant_cycle
from lungfish.rig.plant import Plant
from tests.core.samples import plant_of, setup_of

EVERY_S = 600.0
GOOD_CYCLES = 3
SETUP = setup_of(tee_at_valve=False)


def ramp(to_m: float) -> Callable[[float], float]:
    """2 m until the last good cycle is over, then somewhere else within a minute."""
    begin_s = (GOOD_CYCLES - 1) * EVERY_S + 100.0
    return lambda t_s: 2.0 + (to_m - 2.0) * min(1.0, max(0.0, (t_s - begin_s) / 60.0))


def after_good_cycles(
    to_m: float, spoil: Callable[[Plant], None], seed: int = 1, **truth: float
) -> tuple[Reading, float]:
    """The first reading after something has gone wrong, and its error."""
    plant, learned = plant_of(SETUP, ramp(to_m), seed=seed, truth=truth), Learned()
    for cycle in range(GOOD_CYCLES + 1):
        plant.advance(max(plant.now_s, cycle * EVERY_S))
        if cycle == GOOD_CYCLES:
            spoil(plant)
        reading = run_plant_cycle(plant, SETUP, learned)
        learned = reading.learned
    assert not plant.coil
    if reading.level_m is None or reading.shut_at_s is None:
        return reading, 0.0
    return reading, reading.level_m.value - plant.params.level_m(reading.shut_at_s)


def lose_air(plant: Plant) -> None:
    plant.faults.air_lost = True


def hang_shut(plant: Plant) -> None:
    plant.faults.valve_stuck = False


@pytest.mark.parametrize("spoil", [lose_air, hang_shut])
@pytest.mark.parametrize("to_m", [1.2, 1.7])
def test_a_level_that_falls_is_followed_without_any_air(to_m: float, spoil: Callable[[Plant], None]) -> None:
    reading, error_m = after_good_cycles(to_m, spoil)
    assert reading.level_m is not None
    assert abs(error_m) < 0.006


@pytest.mark.parametrize("spoil", [lose_air, hang_shut])
@pytest.mark.parametrize("to_m", [2.15, 2.3, 2.8])
def test_a_level_that_rises_is_not_called_good_without_air(to_m: float, spoil: Callable[[Plant], None]) -> None:
    reading, error_m = after_good_cycles(to_m, spoil)
    assert error_m < -0.02, "squeezed: the premise of this test"
    assert reading.quality is not Quality.GOOD
    assert Diagnosis.NO_AIR in reading.codes


def test_with_air_the_same_rise_is_read_right() -> None:
    reading, error_m = after_good_cycles(2.3, lambda _plant: None)
    assert reading.quality is Quality.GOOD
    assert abs(error_m) < 0.004


@pytest.mark.parametrize("seed", range(16))
@pytest.mark.parametrize("spoil", [lose_air, hang_shut])
def test_a_tube_that_leaks_its_air_is_not_believed_without_new_air(spoil: Callable[[Plant], None], seed: int) -> None:
    """0.4 Pa/s of leak for ten minutes: liquid has come in, and no air pushes it out.

    Whatever the noise and the ripple of the day: one draw in five used to be called good.
    """
    reading, error_m = after_good_cycles(2.0, spoil, seed, leak_pa_m3_s_pa=0.8 * 1.6e-3 / 18_600.0)
    assert error_m < -0.02, "the premise of this test"
    assert reading.quality is not Quality.GOOD
    assert reading.level_m is not None
    assert abs(error_m) < 2.0 * reading.level_m.u, "what is stated covers it"
