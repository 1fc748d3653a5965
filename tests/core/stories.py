"""Cycles written down by hand, without a plant, and what is judged of them."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from lungfish.core.case import Case
from lungfish.core.events import ValveState
from lungfish.core.judge import Ending, judge
from lungfish.core.level import weigh
from lungfish.core.plan import Plan
from lungfish.core.proof import movement_of
from lungfish.core.reading import Phase, Reading
from lungfish.core.record import Record
from lungfish.core.setup import CycleSetup, Learned
from lungfish.core.shut_in import shut_in_of
from tests.core.samples import setup_of

__all__ = ["BARE", "SETTLED", "Story", "case_of", "judged"]

SETTLED = Learned(
    cycles=20, friction_ratio_u=0.01, damping_s=0.1, log_damping_u=0.05, freeze_var_pa2=100.0, freeze_dof=20.0
)

BARE = setup_of(tee_at_valve=False, line_length_m=0.0)
"""The sump with its valve on the tube: friction of 7 Pa, and no line to settle."""


@dataclass
class Story:
    """A cycle written down by hand: look, fill, hold, shut-in."""

    trapped_pa: float = 8_000.0
    plateau_pa: float = 19_007.0
    shut_in_pa: float = 19_000.0
    fill_s: float = 5.0
    hold_s: float = 1.0
    shut_in_s: float = 3.0
    noise_pa: float = 2.0
    ripple_pa: float = 0.0
    period_s: float = 0.05
    damping_s: float = 0.1
    bend: float = 0.0
    """0: a straight fill; else it dies away with so many time constants over the fill."""
    fall_pa_s: float = 0.0
    ripples_on: bool = False
    """The ripple does not end with the closing."""
    ripples_before: bool = False
    """And was there before the opening."""

    def pressure_pa(self, t: float, opened: float, shut: float) -> float:
        if t < opened:
            return self.trapped_pa
        if t >= shut:
            return self.shut_in_pa - self.fall_pa_s * (t - shut)
        share = min(1.0, (t - opened) / self.fill_s) if self.fill_s > 0 else 1.0
        if self.bend:
            share = -math.expm1(-self.bend * (t - opened) / self.fill_s) / -math.expm1(-self.bend)
        return self.trapped_pa + (self.plateau_pa - self.trapped_pa) * min(1.0, share)

    def record(self) -> Record:
        rng, record = random.Random(9), Record()
        opened, shut = 1.5, 1.5 + self.fill_s + self.hold_s
        record.started_at_s = 100.0
        t, shown = 0.0, self.trapped_pa
        while t < shut + self.shut_in_s:
            for k in range(10):  # the transmitter's lag, in ten steps a sample
                true = self.pressure_pa(t + (k - 9) * self.period_s / 10, opened, shut)
                shown += (true - shown) * self.period_s / 10 / self.damping_s
            phase = Phase.LOOK if t < opened else Phase.HOLD if t < shut else Phase.SHUT_IN
            rippled = phase is Phase.HOLD or (self.ripples_on if phase is Phase.SHUT_IN else self.ripples_before)
            ripple = self.ripple_pa * rng.uniform(-0.5, 0.5) if rippled else 0.0
            record.add(t, shown + ripple + rng.gauss(0.0, self.noise_pa), phase)
            t += self.period_s
        record.look_count = record.phases.count(Phase.LOOK)
        record.trapped_pa, record.noise_pa = self.trapped_pa, max(self.noise_pa, 0.5)
        if self.ripples_before:
            record.noise_pa = math.hypot(self.noise_pa, self.ripple_pa / math.sqrt(12.0))
        record.open_commanded_s = record.opened_s = opened
        record.shut_commanded_s = record.shut_s = shut
        record.observed = ValveState.SHUT
        record.steady_from_s = opened + self.fill_s
        return record


def judged(
    record: Record, *, setup: CycleSetup = BARE, learned: Learned = SETTLED, ending: Ending = Ending.COMPLETE
) -> Reading:
    return judge(setup, learned, Plan.of(setup, learned), record, ending, 200.0, "")


def case_of(record: Record, *, setup: CycleSetup = BARE, learned: Learned = SETTLED) -> Case:
    """The evidence that a complete record is judged by."""
    plan = Plan.of(setup, learned)
    told = shut_in_of(setup, learned, plan, record)
    assert told is not None
    closing, decay, restricted = told
    return Case(
        setup=setup,
        learned=learned,
        plan=plan,
        record=record,
        features=judged(record, setup=setup, learned=learned).features,
        closing=closing,
        weighed=weigh(setup, learned, closing),
        movement=movement_of(record, plan, closing.damping_s),
        decay=decay,
        restricted=restricted,
    )
