"""Accuracy, stated uncertainty and air over seeded plants in virtual time.

The accuracy line is the stage standard of the U.S. Geological Survey: 0.01 ft (3 mm) or 0.2 % of the reading,
whichever is greater (Sauer and Turnipseed 2010, USGS Techniques and Methods 3-A7; OSW Technical Memorandum 96.05).
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from statistics import median

import pytest

from lungfish.core.codes import Quality
from lungfish.core.setup import Learned
from lungfish.rig.drive import run_plant_cycle
from lungfish.rig.plant import Plant
from tests.campaign.seeded_plants import draw_plant

CYCLES = 5
EVERY_S = 600.0


@dataclass(frozen=True)
class Outcome:
    """One cycle against the truth."""

    error_m: float
    stated_m: float
    level_m: float
    air_used: float
    air_allowed: float
    air_told: float


def run_plants(seeds: range) -> tuple[list[Outcome], Counter[str]]:
    """Run some cycles on each plant."""
    outcomes, codes = [], Counter[str]()
    for seed in seeds:
        seeded = draw_plant(seed)
        plant, learned = Plant(seeded.params, seed), Learned()
        for k in range(CYCLES):
            plant.advance(k * EVERY_S)
            air_before, stored_before = plant.air_in_pa_m3, plant.trapped_pa_m3
            reading = run_plant_cycle(plant, seeded.setup, learned, seeded.timing)
            learned = reading.learned
            codes[reading.diagnosis] += 1
            assert not plant.valve_open
            if reading.level_m is None or reading.shut_at_s is None:
                assert reading.quality is Quality.BAD
                continue
            truth_m = seeded.params.level_m(reading.shut_at_s)
            least = max(0.0, plant.full_pa_m3 - stored_before)
            outcomes.append(
                Outcome(
                    error_m=reading.level_m.value - truth_m,
                    stated_m=2.0 * reading.level_m.u,
                    level_m=truth_m,
                    air_used=plant.air_in_pa_m3 - air_before,
                    air_allowed=1.15 * least + 2.0 * seeded.params.flow_pa_m3_s,
                    air_told=reading.features.air_pa_m3 or 0.0,
                )
            )
    return outcomes, codes


def share(flags: list[bool]) -> float:
    """Share of true ones."""
    return sum(flags) / len(flags)


def check(seeds: range) -> None:
    """Hold the outcomes against every line, and print them."""
    outcomes, codes = run_plants(seeds)
    cycles = CYCLES * len(seeds)
    within = share([abs(o.error_m) <= max(0.003, 0.002 * o.level_m) for o in outcomes])
    middle = median(abs(o.error_m) for o in outcomes)
    covered = share([abs(o.error_m) <= o.stated_m for o in outcomes])
    spared = share([o.air_used <= o.air_allowed for o in outcomes])
    ledger = sum(o.air_told for o in outcomes) / sum(o.air_used for o in outcomes)
    print(
        f"\n{len(seeds)} plants, {cycles} cycles, {len(outcomes)} levels; within 3 mm or 0.2 %: {100 * within:.1f} %, "
        f"median error {1e3 * middle:.2f} mm, within stated uncertainty {100 * covered:.1f} %, "
        f"purges within 1.15 x least air + 2 s: {100 * spared:.1f} %, ledger over plant {ledger:.4f}; {dict(codes)}"
    )
    assert len(outcomes) >= 0.98 * cycles
    assert within >= 0.95
    assert middle <= 0.001
    assert 0.93 <= covered <= 0.99
    assert spared >= 0.90
    assert abs(ledger - 1.0) <= 0.03


def test_thirty_plants() -> None:
    check(range(30))


@pytest.mark.campaign
@pytest.mark.timeout(3600)
def test_thousand_plants() -> None:
    check(range(1000))
