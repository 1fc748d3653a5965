"""Each diagnosis with a plant that has just that wrong, in virtual time: code, quality, level, valve, sentence."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

from lungfish.core.codes import GRAVITY_ORDER, Category, Diagnosis, Finding, Quality, joined
from lungfish.core.reading import Reading
from lungfish.core.setup import CycleSetup, Learned
from lungfish.rig.drive import LinkTiming, run_plant_cycle
from lungfish.rig.plant import Faults, Plant
from tests.core.samples import plant_of, setup_of

EVERY_S = 600.0
WITHIN_M = 0.003
"""Stage standard of the U.S. Geological Survey: 0.01 ft (Sauer and Turnipseed 2010, Techniques and Methods 3-A7)."""


@dataclass(frozen=True, kw_only=True)
class Example:
    """A plant with something wrong, and what must be said of it."""

    says: set[str]
    """Diagnoses that are right here; more than one where two readings of the evidence are."""
    quality: set[Quality]
    """Qualities that are right."""
    level_m: float | Callable[[float], float] = 2.0
    tee: tuple[bool, ...] = (True, False)
    """At the valve's end, at the tube's end."""
    told: dict[str, float] = field(default_factory=dict)
    """Changes to what the cycle is told and to what is true."""
    truth: dict[str, float] = field(default_factory=dict)
    """Changes to what is true only."""
    faults: Callable[[], Faults] = Faults
    timing: LinkTiming | None = None
    before: int = 0
    """Good cycles before it goes wrong."""
    mentions: str = ""
    """What the sentence must hold."""


GOOD, UNCERTAIN, BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD

EXAMPLES = {
    "all well": Example(says={"ok"}, quality={GOOD}, mentions=r"shut-in 18\d\d\d Pa"),
    "all well, third time": Example(says={"ok"}, quality={GOOD}, before=2),
    "nearly brim-full": Example(says={"ok"}, quality={GOOD}, level_m=4.45),
    "rising by 1 mm/s": Example(says={"ok"}, quality={GOOD}, level_m=lambda t: 1.5 + 1e-3 * t),
    "tip in the air": Example(says={"tip_uncovered"}, quality={GOOD}, level_m=0.05, tee=(True,), mentions="0.100 m"),
    "no tip in the liquid for long": Example(
        says={"tip_uncovered"}, quality={GOOD}, level_m=0.05, tee=(True,), before=2
    ),
    "plugged tip": Example(
        says={"tube_plugged"}, quality={BAD}, faults=lambda: Faults(plugged=True), mentions=r"4\d\d\d\d Pa"
    ),
    "plugged with the tube full": Example(
        says={"tube_plugged"}, quality={BAD}, faults=lambda: Faults(plugged=True), before=2
    ),
    "span too short for the head": Example(
        says={"over_range"}, quality={BAD}, told={"span_high_pa": 15_000.0}, mentions="limit of 149"
    ),
    "plugged, and the span ends below the brim": Example(
        says={"over_range"},
        quality={BAD},
        told={"span_high_pa": 30_000.0},
        faults=lambda: Faults(plugged=True),
    ),
    "value that is no number": Example(
        says={"transmitter_fault"}, quality={BAD}, faults=lambda: Faults(reads_pa=math.nan), mentions="3 values"
    ),
    "above the span with the valve shut": Example(
        says={"transmitter_fault"}, quality={BAD}, faults=lambda: Faults(reads_pa=70e3), mentions="off the span"
    ),
    "below the span": Example(says={"transmitter_fault"}, quality={BAD}, faults=lambda: Faults(reads_pa=-5e3)),
    "transmitter silent from the start": Example(
        says={"link_lost"}, quality={BAD}, timing=LinkTiming(read_fails=lambda _t: True), mentions="no answer"
    ),
    "transmitter falls silent while open": Example(
        says={"link_lost"}, quality={BAD}, timing=LinkTiming(read_fails=lambda t: t > 4.0)
    ),
    "valve does not answer": Example(
        says={"link_lost"}, quality={BAD}, timing=LinkTiming(write_fails=lambda _t: True), mentions="valve"
    ),
    "valve does not answer when it must shut": Example(
        says={"link_lost"}, quality={BAD}, timing=LinkTiming(write_fails=lambda t: t > 6.0)
    ),
    "no air, tube flooded": Example(
        says={"no_air"}, quality={BAD}, faults=lambda: Faults(air_lost=True), mentions="no air"
    ),
    "valve stuck shut, tube flooded": Example(says={"no_air"}, quality={BAD}, faults=lambda: Faults(valve_stuck=False)),
    "no air, and the trapped air still reads": Example(
        says={"no_air", "no_air+unsteady"},
        quality={UNCERTAIN},
        tee=(True,),
        faults=lambda: Faults(air_lost=True),
        before=2,
        mentions=r"where flowing air gives \d+ Pa",
    ),
    "leak of a twentieth of the flow": Example(
        says={"line_leak"}, quality={UNCERTAIN}, truth={"leak_pa_m3_s_pa": 0.05 * 2.5 / 18_600}, mentions="Pa/s"
    ),
    "leak at the valve's end": Example(
        says={"line_leak"},
        quality={UNCERTAIN},
        truth={"leak_pa_m3_s_pa": 0.05 * 2.5 / 18_600, "leak_at_valve": True},
    ),
    "the valve may not be open for long enough": Example(
        says={"line_leak"}, quality={BAD}, told={"max_open_s": 8.0}, mentions=r"after 8 s the pressure still climbed"
    ),
    "waves of 50 mm every 2 s": Example(
        says={"unsteady"},
        quality={UNCERTAIN},
        level_m=lambda t: 2.0 + 0.05 * math.sin(math.pi * t),
        mentions="did not settle",
    ),
    "tip half closed": Example(
        says={"tube_restricted"},
        quality={GOOD},
        faults=lambda: Faults(tip_pa_s_m3=60.0),
        before=2,
        mentions="standard deviations above the shut-in",
    ),
    "seat lost between two cycles": Example(
        says={"valve_stuck_open"},
        quality={UNCERTAIN},
        tee=(True,),
        faults=lambda: Faults(valve_stuck=True),
        before=2,
        mentions="came at rest since the last purge",
    ),
    "seat that lets half of the flow pass": Example(
        says={"valve_stuck_open"},
        quality={UNCERTAIN},
        tee=(True,),
        faults=lambda: Faults(valve_passes_share=0.6),
        before=2,
        mentions="came at rest since the last purge",
    ),
    "no air, and the level rose by what friction is": Example(
        says={"no_air"},
        quality={UNCERTAIN},
        tee=(True,),
        level_m=lambda t: 2.0 + max(0.0, t - EVERY_S) * 0.165 / EVERY_S,
        faults=lambda: Faults(air_lost=True),
        before=2,
    ),
    "pinhole at the tip": Example(
        says={"tube_restricted"},
        quality={GOOD, UNCERTAIN},
        faults=lambda: Faults(tip_area_share=0.0035),
        before=2,
        mentions="died away",
    ),
    "tip narrowed, and a leak besides": Example(
        says={"line_leak+tube_restricted"},
        quality={UNCERTAIN},
        tee=(True,),
        faults=lambda: Faults(tip_area_share=0.01, extra_leak_pa_m3_s_pa=1.3e-5),
        before=2,
        mentions="air leaks besides",
    ),
    "transmitter slowed to four seconds": Example(
        says={"unsteady"},
        quality={UNCERTAIN},
        tee=(True,),
        faults=lambda: Faults(damping_extra_s=4.0),
        before=2,
        mentions=r"with [34]\.\d s where the transmitter took",
    ),
    "slug of water swinging in the line": Example(
        says={"unsteady"},
        quality={UNCERTAIN},
        tee=(True,),
        faults=lambda: Faults(water_in_line_m=0.3),
        before=2,
        mentions="rose again",
    ),
    "silt that air breaks through": Example(
        says={"tube_restricted"},
        quality={UNCERTAIN},
        faults=lambda: Faults(solids_pa=3000.0),
        before=2,
        mentions="before air broke through",
    ),
    "silt from the first cycle": Example(
        says={"tube_restricted"},
        quality={UNCERTAIN},
        faults=lambda: Faults(solids_pa=3000.0),
        mentions="before air broke through",
    ),
}


def run_example(example: Example, tee_at_valve: bool) -> tuple[Reading, Plant, CycleSetup]:
    """Good cycles first, then the one with the fault."""
    setup = setup_of(tee_at_valve=tee_at_valve, **example.told)
    plant, learned = plant_of(setup, example.level_m, seed=3), Learned()
    for cycle in range(example.before):
        plant.advance(max(plant.now_s, cycle * EVERY_S))
        reading = run_plant_cycle(plant, setup, learned)
        assert reading.quality is Quality.GOOD, f"not well before it goes wrong: {reading.diagnosis}"
        learned = reading.learned
    air, held = plant.air_in_pa_m3, plant
    if example.truth:
        held = plant_of(setup, example.level_m, seed=3, truth=example.truth)
    held.faults = example.faults()
    held.advance(max(held.now_s, example.before * EVERY_S))
    reading = run_plant_cycle(held, setup, learned, example.timing)
    assert held.air_in_pa_m3 >= (air if held is plant else 0.0)
    return reading, held, setup


CASES = [(name, tee) for name, example in EXAMPLES.items() for tee in example.tee]


@pytest.mark.parametrize(
    ("name", "tee_at_valve"), CASES, ids=[f"{name}, {'valve' if tee else 'tube'} end" for name, tee in CASES]
)
def test_what_is_wrong_is_told(name: str, tee_at_valve: bool) -> None:
    example = EXAMPLES[name]
    reading, plant, setup = run_example(example, tee_at_valve)
    sentences = "; ".join(finding.sentence for finding in reading.findings)
    assert reading.diagnosis in example.says, sentences
    assert reading.quality in example.quality, sentences
    assert not plant.coil, "the valve was left commanded open"
    assert reading.diagnosis == "link_lost" or re.search(r"\d", sentences), "a sentence without a number"
    assert re.search(example.mentions, sentences), sentences
    if reading.quality is Quality.BAD:
        assert reading.level_m is None
        assert reading.head_pa is None
        return
    assert reading.level_m is not None
    assert reading.shut_at_s is not None
    truth = plant.params.level_m(reading.shut_at_s)
    if "tip_uncovered" in example.says:
        assert reading.level_m.value == setup.tip_m, "at the tip or below"
        assert reading.head_pa is not None
        assert reading.head_pa.value == 0.0
        return
    limit = max(WITHIN_M, 0.002 * truth) if reading.quality is Quality.GOOD else 3.0 * reading.level_m.u
    assert abs(reading.level_m.value - truth) <= max(limit, 2.0 * reading.level_m.u)


@pytest.mark.parametrize("tee_at_valve", [True, False])
def test_the_air_of_a_cycle_that_got_none_is_none(tee_at_valve: bool) -> None:
    reading, plant, _ = run_example(EXAMPLES["no air, tube flooded"], tee_at_valve)
    assert plant.air_in_pa_m3 == 0.0
    assert reading.features.air_pa_m3 == 0.0


@pytest.mark.parametrize("name", ["all well", "all well, third time", "leak of a twentieth of the flow", "plugged tip"])
def test_the_ledger_agrees_with_the_plant(name: str) -> None:
    example = EXAMPLES[name]
    setup = setup_of(**example.told)
    plant, learned = plant_of(setup, example.level_m, faults=example.faults(), truth=example.truth), Learned()
    booked = 0.0
    for cycle in range(example.before + 1):
        plant.advance(max(plant.now_s, cycle * EVERY_S))
        reading = run_plant_cycle(plant, setup, learned)
        learned = reading.learned
        booked += reading.features.air_pa_m3 or 0.0
    assert booked == pytest.approx(plant.air_in_pa_m3, rel=0.03)


# -- codes as names and numbers that others hold on to -----------------------------------------------------------------


def test_codes_and_their_numbers_are_fixed() -> None:
    """The order is the value of a register that control rooms read."""
    assert [(code.number, code.value) for code in Diagnosis] == list(
        enumerate(
            (
                "ok",
                "tip_uncovered",
                "unsteady",
                "line_leak",
                "tube_restricted",
                "tube_plugged",
                "no_air",
                "supply_low",
                "valve_stuck_open",
                "transmitter_fault",
                "transmitter_frozen",
                "link_lost",
                "over_range",
                "aborted",
            )
        )
    )
    assert sorted(GRAVITY_ORDER, key=list(Diagnosis).index) == list(Diagnosis), "each code has its place in the order"
    assert [quality.value for quality in Quality] == ["good", "uncertain", "bad"]  # OPC UA severities
    assert {category.value for category in Category} == {"-", "F", "C", "S", "M"}  # NAMUR NE 107


def finding(code: Diagnosis, quality: Quality) -> Finding:
    return Finding(code=code, quality=quality, sentence="1 Pa")


def test_several_codes_are_joined_the_gravest_first() -> None:
    leak, air = finding(Diagnosis.LINE_LEAK, UNCERTAIN), finding(Diagnosis.NO_AIR, UNCERTAIN)
    assert joined((leak, air)) == joined((air, leak, leak)) == "no_air+line_leak"
    assert joined((finding(Diagnosis.OK, GOOD),)) == "ok"
