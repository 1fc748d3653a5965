"""A tube that is shut at the tip keeps what each opening lets in: cycles must not pump it up to the supply."""

from __future__ import annotations

import math

from lungfish.core.codes import Diagnosis
from lungfish.core.setup import Learned
from lungfish.rig.drive import run_plant_cycle
from lungfish.rig.plant import Faults
from tests.core.samples import SUMP, plant_of


def test_a_hundred_cycles_on_a_solid_plug_press_no_harder_than_the_first() -> None:
    plant = plant_of(SUMP, 2.0, faults=Faults(plugged=True))
    learned, highest_pa = Learned(), []
    for _ in range(100):
        plant.highest_pa = -math.inf
        plant.advance(plant.now_s + 600.0)
        reading = run_plant_cycle(plant, SUMP, learned)
        learned = reading.learned
        highest_pa.append(plant.highest_pa)
        assert Diagnosis.TUBE_PLUGGED in reading.codes
        assert reading.level_m is None
    assert max(highest_pa) < highest_pa[0] + 2000.0
    assert max(highest_pa) < SUMP.span_high_pa


def test_when_the_plug_is_gone_it_measures_again() -> None:
    plant = plant_of(SUMP, 2.0, faults=Faults(plugged=True))
    learned = Learned()
    for _ in range(5):
        plant.advance(plant.now_s + 600.0)
        learned = run_plant_cycle(plant, SUMP, learned).learned
    plant.faults.plugged = False
    plant.advance(plant.now_s + 600.0)
    reading = run_plant_cycle(plant, SUMP, learned)
    assert reading.level_m is not None
    assert abs(reading.level_m.value - 2.0) < 0.01
