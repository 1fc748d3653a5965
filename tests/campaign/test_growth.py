"""A restriction and a leak that grow by one per cent a day: when the charts call, and when the reading is lost.

The restriction takes 1 % of the tube's area at the tip each day, so on day 100 nothing is left. Two things tell of
it.

*Friction.* What air needs to pass an orifice grows with one over the square of its area and is tiny at first: in a 10
mm tube at 1.5 L/min it is 0.4 Pa at half the area, 3 Pa at a fifth, 50 Pa at a twentieth. Each closing freezes the
ripple at a random phase, a scatter of 0.29 of the ripple; only the mean of many closings shows such a change, and the
wider the tube the later: 20 days ahead up to 6 or 8 mm, and no chart of friction could do it from 10 mm on. A filter
matched to this very growth would on the 74th day, in a tube of 10 mm with 144 cycles a day, see it 3.7 standard
deviations out of the noise, and four are needed to call falsely no oftener than a chart may.

*What closing freezes.* Ripple is one bore of liquid at most (common practice), and at a narrowed tip the hole is the
bore. So it goes with the root of the free area: 13 % less after 25 days, 29 % less after 50, in any tube. It is seen
behind any damping, because a frozen bubble stands still, but only under a level that rises now and then.

That the ripple goes with the hole is a model, and the one thing here that no standard gives: where bubbles are as
large as the flow makes them, and not as the hole does, they change less. So `TOLD_BY_FRICTION` runs tubes whose
ripple stays the same at any hole.

The reading counts as lost on the first of two days in which more than one in twenty of its levels, and more than one,
are off by more than 3 mm, missing, or not good for a reason that is told. The purge flow is 1.5 L/min at 10 mm and
more for a wider tube, by the bore to the power of 1.2, so that it fills in reasonable time; the line has 4.3 mm,
above 12 mm of bore 8 mm. A cycle an hour or half an hour: more of them tell sooner. The ripple is 6 Pa for each mm of
bore, peak to peak. One run of each:

    bore   tee         cycles a day   called on day    reading lost on day   days ahead
    4 mm   tube-end         24        38 (friction)            93                54
    6 mm   valve-end        24        66 (friction)            97                30
    8 mm   tube-end         24        66 (ripple)              92                26
    10 mm  valve-end        24        62 (ripple)              98                35
    12 mm  valve-end        48        56 (ripple)              98                42
    16 mm  tube-end         48        59 (ripple)              95                35
    20 mm  valve-end        48        64 (ripple)              97                33
    25 mm  tube-end         48        62 (ripple)              96                33
    and with a ripple that stays the same at any hole:
    6 mm   valve-end        24        68 (friction)            97                28
    10 mm  tube-end         24        88 (friction)            93                 4

The leak grows by 1 % of the leak that makes a reading uncertain, 30 Pa/s at half the full head. What a tube has lost
since it was last full bounds it from the first hour, so it is told on day 7.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import pytest

from lungfish.core.baseline import DAY_S, Baseline, Notice, Said, Way, follow
from lungfish.core.closing_verdict import LEAK_PA_S
from lungfish.core.codes import Diagnosis, Quality
from lungfish.core.expect import full_gauge_pa, unit_weight_pa_m
from lungfish.core.reading import Reading
from lungfish.core.setup import CycleSetup, Learned
from lungfish.core.traits import Trait, filled_by, traits_of
from lungfish.rig.drive import run_plant_cycle
from lungfish.rig.plant import Faults
from tests.core.samples import plant_of, setup_of

SOUND_DAYS = 3.0
"""Before anything grows."""
AHEAD_DAYS = 20.0
AFTER_CALL_PER_DAY = 12
"""Cycles a day once something was called: all that is asked then is when the reading is lost."""
LIMIT_M = 0.003


@dataclass(frozen=True)
class Grown:
    """One run. Days count from the beginning of the growth."""

    calls: list[tuple[float, Notice]]
    lost_day: int | None
    """First of two days with more than one reading, and more than 5 %, off by more than 3 mm, missing, or not good for
    a reason that is told; None: none such."""

    @property
    def called_day(self) -> float | None:
        return self.calls[0][0] if self.calls else None

    @property
    def ahead_days(self) -> float:
        """From the first call to the loss, as far as the run went; minus infinity without a call before it."""
        called = self.called_day
        lost = math.inf if self.lost_day is None else self.lost_day
        return -math.inf if called is None or called > lost else lost - called


def narrowing(_setup: CycleSetup, grown: float) -> Faults:
    return Faults(plugged=True) if grown >= 1.0 else Faults(tip_area_share=1.0 - grown)


def leaking(setup: CycleSetup, grown: float) -> Faults:
    half_pa = 0.5 * full_gauge_pa(setup)
    space = setup.air_space
    capacity = space.volume_m3 + (setup.atmosphere_abs_pa + half_pa) * space.area_m2 / unit_weight_pa_m(setup)
    return Faults(extra_leak_pa_m3_s_pa=grown * LEAK_PA_S * capacity / half_pa)


def level_m(t_s: float) -> float:
    """To and fro by 0.8 m, thirteen times in ten days: up to 29 um/s."""
    return 1.5 + 0.4 * math.sin(2.0 * math.pi * 1.3 * t_s / DAY_S)


def tube(bore_mm: float, tee: str) -> CycleSetup:
    """A tube with the flow and the line that go with its bore."""
    return setup_of(
        tube_bore_m=bore_mm * 1e-3,
        tee_at_valve=tee == "valve-end",
        flow_pa_m3_s=2.5 * max(0.6, (bore_mm / 10.0) ** 1.2),
        line_bore_m=0.0043 if bore_mm <= 12.0 else 0.008,
    )


def lost(reading: Reading, truth_m: float) -> bool:
    """Whether a reading has left 3 mm, or is told not to be good; nothing but doubt whether air came is no loss."""
    if reading.level_m is None or abs(reading.level_m.value - truth_m) > LIMIT_M:
        return True
    return reading.quality is not Quality.GOOD and reading.codes != {Diagnosis.OK}


def grow(
    setup: CycleSetup,
    faults_at: Callable[[CycleSetup, float], Faults],
    *,
    per_day: int,
    ripple_pa: float,
    most_days: float = 100.0,
    after_call_days: float = math.inf,
    ripple_follows_tip: bool = True,
    seed: int = 1,
) -> Grown:
    """Run cycles while something grows by 1 % a day, up to a day, or for so long after the first call."""
    truth = {"ripple_follows_tip": ripple_follows_tip}
    plant = plant_of(setup, level_m, ripple_pa=ripple_pa, seed=seed, truth=truth)
    learned, baseline, filled = Learned(), Baseline(), None
    calls: list[tuple[float, Notice]] = []
    cycles, losses = Counter[int](), Counter[int]()
    day = -SOUND_DAYS
    while day < min(most_days, (calls[0][0] if calls else 1e9) + after_call_days):
        at_s = (day + SOUND_DAYS) * DAY_S
        plant.advance(at_s)
        if day >= 0.0:
            plant.faults = faults_at(setup, 0.01 * day)
        reading = run_plant_cycle(plant, setup, learned)
        learned = reading.learned
        baseline, notices = follow(setup, baseline, traits_of(setup, reading, filled), at_s)
        filled = filled_by(reading)
        calls += [(day, notice) for notice in notices if notice.said is not Said.LEARNED]
        cycles[math.floor(day)] += 1
        losses[math.floor(day)] += lost(reading, level_m(reading.shut_at_s or 0.0))
        day += 1.0 / (min(per_day, AFTER_CALL_PER_DAY) if calls else per_day)
    days = {day for day, count in losses.items() if day >= 0 and count > max(1, 0.05 * cycles[day])}
    return Grown(calls, min((day for day in days if day + 1 in days or day + 1 >= most_days), default=None))


# -- the short form


def test_a_growing_restriction_is_called_and_the_reading_holds_for_twenty_days_more() -> None:
    setup = setup_of(tube_bore_m=0.005, tee_at_valve=False)
    grown = grow(setup, narrowing, per_day=6, ripple_pa=30.0, after_call_days=AHEAD_DAYS)
    ((day, call),) = grown.calls
    assert (call.trait, call.said) == (Trait.FRICTION, Said.CALLED)
    assert 20.0 < day < 75.0
    assert grown.lost_day is None


def test_a_growing_leak_is_called_and_the_reading_holds_for_twenty_days_more() -> None:
    grown = grow(setup_of(), leaking, per_day=8, ripple_pa=60.0, after_call_days=AHEAD_DAYS)
    (day, call), *others = grown.calls
    assert Trait.LEAK not in {other.trait for _, other in others}, "once"
    assert (call.trait, call.said) == (Trait.LEAK, Said.CALLED)
    assert 1.0 < day < 29.0
    assert grown.lost_day is None


@pytest.mark.parametrize("tee_at_valve", [True, False])
def test_a_sound_tube_under_a_moving_level_is_never_called(tee_at_valve: bool) -> None:
    setup = setup_of(tee_at_valve=tee_at_valve)
    grown = grow(setup, lambda _setup, _grown: Faults(), per_day=6, ripple_pa=60.0, most_days=15.0)
    assert (grown.calls, grown.lost_day) == ([], None)


# -- the long form

TUBES = [
    (4.0, "tube-end", 24),
    (6.0, "valve-end", 24),
    (8.0, "tube-end", 24),
    (10.0, "valve-end", 24),
    (12.0, "valve-end", 48),
    (16.0, "tube-end", 48),
    (20.0, "valve-end", 48),
    (25.0, "tube-end", 48),
]
"""Bore in mm, tee, cycles a day."""
TOLD_BY_FRICTION = [(6.0, "valve-end", True), (10.0, "tube-end", False)]
"""Tubes whose ripple stays the same at any hole, and whether friction alone tells 20 days ahead."""


def told(name: str, bore_mm: float, tee: str, grown: Grown) -> str:
    first = grown.calls[0][1].trait.value if grown.calls else "-"
    called = "never" if grown.called_day is None else f"day {grown.called_day:.1f} ({first})"
    lost_on = "not by then" if grown.lost_day is None else f"day {grown.lost_day}"
    return (
        f"{name:<28}{bore_mm:4.0f} mm  {tee:<10} called {called:<20} reading lost {lost_on:<12} "
        f"ahead {grown.ahead_days:6.1f} days"
    )


@pytest.mark.campaign
@pytest.mark.timeout(3600)
@pytest.mark.parametrize(("bore_mm", "tee", "per_day"), TUBES)
def test_restriction(bore_mm: float, tee: str, per_day: int) -> None:
    grown = grow(tube(bore_mm, tee), narrowing, per_day=per_day, ripple_pa=6.0 * bore_mm)
    print("\n" + told("restriction", bore_mm, tee, grown))
    day, call = grown.calls[0]
    assert (call.trait, call.way) in {(Trait.FRICTION, Way.UP), (Trait.RIPPLE, Way.DOWN)}
    assert day > 10.0, "before it can be seen"
    assert grown.ahead_days >= AHEAD_DAYS


@pytest.mark.campaign
@pytest.mark.timeout(3600)
@pytest.mark.parametrize(("bore_mm", "tee", "ahead"), TOLD_BY_FRICTION)
def test_restriction_that_leaves_the_ripple_as_it_is(bore_mm: float, tee: str, ahead: bool) -> None:
    setup = tube(bore_mm, tee)
    grown = grow(setup, narrowing, per_day=24, ripple_pa=6.0 * bore_mm, ripple_follows_tip=False)
    print("\n" + told("restriction, ripple the same", bore_mm, tee, grown))
    day, call = grown.calls[0]
    assert (call.trait, call.way) == (Trait.FRICTION, Way.UP)
    assert day > 20.0, "before it can be seen"
    assert (grown.ahead_days >= AHEAD_DAYS) is ahead, "what is written above no longer holds"


@pytest.mark.campaign
@pytest.mark.timeout(3600)
@pytest.mark.parametrize(("bore_mm", "tee"), [(6.0, "tube-end"), (10.0, "valve-end"), (25.0, "tube-end")])
def test_leak(bore_mm: float, tee: str) -> None:
    setup = tube(bore_mm, tee)
    grown = grow(setup, leaking, per_day=24, ripple_pa=6.0 * bore_mm, after_call_days=AHEAD_DAYS + 5.0)
    print("\n" + told("leak", bore_mm, tee, grown))
    day, call = grown.calls[0]
    assert (call.trait, call.way) == (Trait.LEAK, Way.UP)
    assert day > 1.0
    assert grown.ahead_days >= AHEAD_DAYS
