"""Random sequences of events for the cycle: mostly sensible ones with mishaps, and some of pure nonsense."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from lungfish.core.cycle import Cycle
from lungfish.core.events import (
    Abort,
    Action,
    AirGranted,
    AskAir,
    Event,
    Input,
    InputSeen,
    PressureRead,
    ReadFailed,
    SetValve,
    Start,
    Tick,
    ValveFailed,
    ValveSeen,
    ValveState,
    Wake,
)
from lungfish.core.reading import Phase

__all__ = ["World", "nonsense"]

NONSENSE_PA = (math.nan, math.inf, -math.inf, 1e300, -1e300, 1e38, -1e38, 5e-324, 0.0, -1e5, 59_990.0, 60_500.0, 1e6)
_STEPS_S = (0.0, 1e-9, 0.01, 0.05, 0.1, 0.4, 1.0, 1.5, 3.0, 5.0, 30.0, 90.0, 1e4, -1e-3, -0.3, -20.0)


def nonsense(rng: random.Random, t_s: float) -> Event:
    """Any event at all."""
    pick = rng.randrange(12)
    if pick < 3:
        gauge_pa = rng.choice(NONSENSE_PA) if rng.random() < 0.4 else rng.uniform(-2e3, 7e4)
        return PressureRead(t_s=t_s, gauge_pa=gauge_pa, took_s=rng.choice((0.0, 0.01, 0.6, 30.0)))
    if pick == 3:
        return ReadFailed(t_s=t_s, reason="no answer")
    if pick == 4:
        return AirGranted(t_s=t_s)
    if pick in (5, 6):
        return ValveSeen(t_s=t_s, state=rng.choice(list(ValveState)))
    if pick == 7:
        return ValveFailed(t_s=t_s, wanted=rng.choice((ValveState.OPEN, ValveState.SHUT)), reason="no answer")
    if pick == 8:
        return Start(t_s=t_s)
    if pick == 10:
        return InputSeen(t_s=t_s, which=rng.choice(list(Input)), active=rng.random() < 0.5)
    if pick == 9:
        return Abort(t_s=t_s, reason="stop") if rng.random() < 0.3 else Tick(t_s=t_s)
    return Tick(t_s=t_s)


@dataclass
class World:
    """What answers the cycle: a tube of some kind, a link of some quality."""

    rng: random.Random
    t_s: float = 0.0
    jitter_s: float = 0.0
    """How far a stamp may lie before the one before it."""
    mishap: float = 0.0
    """Chance of nonsense instead of the next sensible event."""
    silence: float = 0.0
    """Chance that a read gets no answer."""
    trapped_pa: float = 5_000.0
    head_pa: float = 19_000.0
    friction_pa: float = 900.0
    climb_pa_s: float = 2_000.0
    leak_pa_s: float = 0.0
    noise_pa: float = 3.0
    period_s: float = 0.1
    opened_s: float | None = None
    shut_s: float | None = None
    wake_s: float | None = None
    asked: bool = False
    owed: list[Event] = field(default_factory=list)
    """Answers to the commands that were given."""

    @classmethod
    def drawn(cls, rng: random.Random) -> World:
        """A world of some kind."""
        calm = rng.random() < 0.55
        head = rng.choice((0.0, rng.uniform(0.0, 45e3), rng.uniform(0.0, 45e3), 1e5))
        return cls(
            rng=rng,
            t_s=rng.choice((0.0, 1e6 * rng.random(), -5.0)),
            jitter_s=rng.choice((0.0, 0.0, 0.02, 0.5)),
            mishap=rng.choice((0.0, 0.003, 0.01)) if calm else rng.choice((0.02, 0.1, 0.5, 1.0)),
            silence=rng.choice((0.0, 0.0, 0.02, 0.1) if calm else (0.0, 0.1, 0.5)),
            trapped_pa=rng.choice((0.0, head, rng.uniform(-100.0, 45e3))),
            head_pa=head,
            friction_pa=rng.choice((0.0, 900.0, 5e3)),
            climb_pa_s=rng.choice((0.0, 30.0, 2_000.0, 2_000.0, 20_000.0)),
            leak_pa_s=rng.choice((0.0, 0.0, 20.0, 500.0)),
            noise_pa=rng.choice((0.0, 1.0, 5.0, 100.0)),
            period_s=rng.choice((0.05, 0.1, 0.2, 0.2, 0.7)),
        )

    def pressure_pa(self) -> float:
        """Gauge pressure now."""
        noise = self.rng.gauss(0.0, self.noise_pa) if self.noise_pa else 0.0
        if self.opened_s is None:
            return self.trapped_pa + noise
        end_s = self.t_s if self.shut_s is None else self.shut_s
        filled = min(self.head_pa, self.trapped_pa + self.climb_pa_s * max(0.0, end_s - self.opened_s))
        if self.shut_s is None:
            return max(filled, min(self.trapped_pa, self.head_pa)) + self.friction_pa + noise
        return filled - self.leak_pa_s * (self.t_s - self.shut_s) + noise

    def heed(self, actions: tuple[Action, ...]) -> None:
        """Take note of what the cycle asked for."""
        for action in actions:
            if isinstance(action, SetValve):
                if action.state is ValveState.OPEN:
                    self.opened_s = self.t_s
                elif self.opened_s is not None and self.shut_s is None:
                    self.shut_s = self.t_s
                self.owed.append(ValveSeen(t_s=self.t_s, state=action.state))
            elif isinstance(action, AskAir):
                self.asked = True
            elif isinstance(action, Wake):
                self.wake_s = action.at_s

    def next_event(self, cycle: Cycle) -> Event:
        """What happens next."""
        rng = self.rng
        if rng.random() < self.mishap:
            self.t_s += rng.choice(_STEPS_S) if self.jitter_s else max(0.0, rng.choice(_STEPS_S))
            return nonsense(rng, self.t_s)
        if cycle.phase is Phase.REST:
            return Start(t_s=self.t_s)
        stamp_s = self.t_s - rng.uniform(0.0, self.jitter_s)
        if self.owed and rng.random() < 0.8:
            late = self.owed.pop(0)
            assert isinstance(late, ValveSeen)
            return ValveSeen(t_s=stamp_s, state=late.state)
        if self.asked and rng.random() < 0.5:
            self.asked = False
            return AirGranted(t_s=stamp_s)
        if rng.random() < self.silence:
            self.t_s += 0.5
            return ReadFailed(t_s=self.t_s, reason="no answer")
        if self.wake_s is not None and self.wake_s <= self.t_s + self.period_s:
            self.t_s, self.wake_s = max(self.t_s, self.wake_s), None
            return Tick(t_s=self.t_s)
        self.t_s += self.period_s
        return PressureRead(t_s=self.t_s - rng.uniform(0.0, self.jitter_s), gauge_pa=self.pressure_pa(), took_s=0.01)
