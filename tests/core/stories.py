"""Cycles written down by hand, without a plant, and what is judged of them."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from lungfish.core.events import ValveState
from lungfish.core.judge import Ending, judge
from lungfish.core.plan import Plan
from lungfish.core.reading import Phase, Reading
from lungfish.core.record import Record
from lungfish.core.setup import CycleSetup, Learned
from tests.core.samples import setup_of

__all__ = ["BARE", "SETTLED", "Story", "judged"]

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
            ripple = self.ripple_pa * rng.uniform(-0.5, 0.5) if phase is Phase.HOLD else 0.0
            record.add(t, shown + ripple + rng.gauss(0.0, self.noise_pa), phase)
            t += self.period_s
        record.trapped_pa, record.noise_pa = self.trapped_pa, self.noise_pa
        record.open_commanded_s = record.opened_s = opened
        record.shut_commanded_s = record.shut_s = shut
        record.observed = ValveState.SHUT
        record.steady_from_s = opened + self.fill_s
        return record


def judged(
    record: Record, *, setup: CycleSetup = BARE, learned: Learned = SETTLED, ending: Ending = Ending.COMPLETE
) -> Reading:
    return judge(setup, learned, Plan.of(setup, learned), record, ending, 200.0, "")
