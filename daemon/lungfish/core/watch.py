"""The watch between purges: what the shut tube tells of the level, how well, and whether a purge is called for.

A falling level lets air out at the tip, so the trapped pressure follows it. A rising one compresses the trapped air
and shows only a part. What is followed is therefore the air: `Air.full_gauge_pa` is the pressure at which the air now
in the tube would fill it just to the tip. It falls when air leaves at the tip, as the pressure shows, and by the leak.

An estimate is never a level: it only says when a purge is worth its air.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import Enum

from lungfish.core.balance import hidden_rise_pa
from lungfish.core.budget import Measured
from lungfish.core.codes import Diagnosis
from lungfish.core.expect import unit_weight_pa_m
from lungfish.core.level import freeze_sd_pa
from lungfish.core.reading import Reading
from lungfish.core.setup import CycleSetup, Learned
from lungfish.core.watch_air import STILL, VARYING, Air, Seen, Since, budget_u_pa
from lungfish.core.watch_alarms import AlarmCalls, AlarmLevels
from lungfish.core.watch_limits import EarlyPurges
from lungfish.core.watch_tube import TubeTraits, first_traits

__all__ = ["Decision", "Estimate", "Watch"]

_MEDIAN_OF = 3
_MEDIAN_SD = 0.67
"""Standard deviation of the median of three normal values over that of one (from memory; tested)."""
_LONGEST_GAP_S = 120.0
"""Values further apart than this are not taken together."""
_NOISE_PA = 10.0
"""Of a transmitter whose noise nobody has seen yet."""
_LEAST_NOISE_PA = 1.0
_FLOODED = 0.9
"""Share of the tube's length up to which liquid in it may be told from the pressure."""
_SLOPE_OVER_S = 10.0
"""The estimate's own slope is that of about so long."""
_SURE = 3.0
_RIPPLE_SURE = 2.0
_SLOW_SURE = 2.0
"""Standard uncertainties of what is slow, which is no more than the square root of three of them."""
_RECENT_S = 120.0
"""A movement of late is one within so long."""
_STIRRED = 0.25
"""Share of the step by which a restricted tube's pressure moves after closing when it is not at rest: its air leaves
slowly, or the level moves, and nobody can tell which."""
_COOLING_K_S = 2.0 / 3600.0
"""How fast the air's temperature may change: a swing of 15 K over a day does 2 K/h at most."""
_MOST_COOLING_K = 15.0
_WEATHER_PA_S = 100.0 / 3600.0
"""How fast the atmosphere's pressure may change (common practice)."""
_NOT_WATCHED = {
    Diagnosis.NO_AIR,
    Diagnosis.SUPPLY_LOW,
    Diagnosis.TUBE_PLUGGED,
    Diagnosis.VALVE_STUCK_OPEN,
    Diagnosis.TRANSMITTER_FAULT,
    Diagnosis.TRANSMITTER_FROZEN,
}
"""After these the tube is not known to be full of air and shut, or its pressure is not believed."""


class Decision(Enum):
    """What is to be done now."""

    QUIET = "quiet"
    """Nothing."""
    PURGE = "purge"
    """Purge at once."""
    HELD = "held"
    """The level may have moved, but early purges are used up, or held back after a false call."""
    BLIND = "blind"
    """Nothing can be told; the timer alone rules."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """What the watch makes of the last value. Never a level."""

    decision: Decision
    """What is to be done."""
    reason: str
    """Why, in one sentence; empty when quiet."""
    moved_m: Measured | None = None
    """Movement of the level since the last reading, up positive, m; None when not known."""
    level_m: Measured | None = None
    """The last reading with that movement, m above the floor; None when not known."""
    urgent: bool = False
    """The purge is for an alarm's level: no cap of the watch and no spent air budget holds it back."""


class Watch:
    """Listens to one shut tube.

    Args:
        setup: the tank.
        step_m: movement that calls for a purge, m.
        timer_s: the timer's own interval from purge to purge, s.
        alarms: levels whose passing calls for a purge as well.
    """

    def __init__(self, setup: CycleSetup, *, step_m: float, timer_s: float, alarms: AlarmLevels | None = None) -> None:
        self._setup = setup
        self._step_m = step_m
        self._timer_s = timer_s
        self._alarms = AlarmCalls(alarms or AlarmLevels(), timer_s)
        self._seen: Seen | None = None
        self._weight_pa_m = unit_weight_pa_m(setup)
        self._tube_pa = setup.tube_length_m * self._weight_pa_m
        self._space = setup.air_space
        self._since: Since | None = None
        self._why_blind = "there was no reading yet"
        self.traits: TubeTraits | None = None
        """What purges have taught of the tube; None before the first."""
        self.early = EarlyPurges(timer_s)
        """How many early purges may still be made."""

    def disturbed(self, why: str) -> None:
        """Something else has moved the tube's air: blind until the next reading.

        Args:
            why: in one sentence.
        """
        self._since, self._why_blind = None, why

    def taken(self, reading: Reading, learned: Learned, *, called: bool, urgent: bool = False) -> None:
        """Learn from a reading, and count from it from now on.

        Args:
            reading: of the purge.
            learned: what it leaves for the next one.
            called: the watch had asked for it.
            urgent: it had, for an alarm's level.
        """
        moved_m = self._found_m(reading)
        level_m = None if reading.level_m is None else reading.level_m.value
        self._alarms.taken(reading.ended_at_s, level_m, called=urgent)
        self._seen = None if level_m is None else Seen.after(self._seen, reading.shut_at_s, level_m, self._going_m_s())
        if called and not urgent:
            self.early.ended(reading.ended_at_s, false=moved_m is None or abs(moved_m) < 0.5 * self._step_m)
        if self._since is not None and moved_m is not None:
            self._compare(self._since, reading)
        self._since = self._begun(reading, learned)

    def feed(self, t_s: float, gauge_pa: float) -> Estimate:
        """Take in a value of the shut tube.

        Args:
            t_s: monotonic time of the value, s.
            gauge_pa: gauge pressure, Pa.
        """
        since = self._since
        if since is None:
            return Estimate(decision=Decision.BLIND, reason=self._why_blind)
        if not math.isfinite(gauge_pa) or self._failed(gauge_pa) or t_s <= since.values[-1][0]:
            return Estimate(decision=Decision.QUIET, reason="the value says nothing")
        if t_s - since.values[-1][0] > _LONGEST_GAP_S:
            since.values.clear()
        since.values.append((t_s, gauge_pa))
        if len(since.values) < _MEDIAN_OF:
            return Estimate(decision=Decision.QUIET, reason="one value alone may be wild")
        self._follow(since, t_s, since.steadied_pa())
        return self._judged(since, t_s)

    def foreseen(self, t_s: float) -> Estimate | None:
        """Right after a reading, before the shut tube has told anything: whether the next reading must come at once.

        Args:
            t_s: monotonic time, s.

        Returns:
            A call for an alarm's level that the level has reached, if it goes on as between the last two readings.
        """
        seen = self._seen
        if seen is None or seen.rate_m_s == 0.0:
            return None
        reason = self._alarms.call(t_s, seen.level_m + seen.rate_m_s * (t_s - seen.at_s), 0.0, seen.rate_m_s)
        return None if reason is None else Estimate(decision=Decision.PURGE, reason=reason, urgent=True)

    # -- from purge to purge

    def _begun(self, reading: Reading, learned: Learned) -> Since | None:
        shut_pa, shut_s, level, head = learned.shut_gauge_pa, learned.shut_at_s, reading.level_m, reading.head_pa
        if level is None or head is None or reading.codes & _NOT_WATCHED:
            self._why_blind = f"the last reading is `{reading.diagnosis}`, so the tube is not known to be full of air"
            return None
        if shut_pa is None or shut_s is None or reading.shut_at_s is None:
            self._why_blind = "the last reading saw no shut tube"
            return None
        # back to the moment that the reading is true for: what moved since then moved in a shut tube as well
        slope_pa_s = reading.features.shut_in_slope_pa_s or 0.0
        went_pa = slope_pa_s * max(0.0, shut_s - reading.shut_at_s)
        if Diagnosis.TUBE_RESTRICTED in reading.codes and abs(went_pa) > _STIRRED * self._step_m * self._weight_pa_m:
            self._why_blind = "the last reading found the tube restricted and its pressure not at rest"
            return None
        start_pa = shut_pa - went_pa
        if self.traits is None:
            self.traits = first_traits(self._setup, learned, start_pa, self._timer_s)
        self.traits = self.traits.doubted(self._setup, learned, start_pa)
        self.early.begin(reading.ended_at_s)
        resolution_pa = budget_u_pa(reading, ("resolution",), self._weight_pa_m)
        traits = self.traits
        leaks = traits.leaks_per_s()
        noise_pa = math.hypot(_NOISE_PA if learned.noise_pa is None else learned.noise_pa, resolution_pa)
        return Since(
            level_m=level,
            head_pa=head.value,
            varying_u_pa=budget_u_pa(reading, VARYING, self._weight_pa_m),
            start_pa=start_pa,
            start_s=reading.shut_at_s,
            sd_pa=_MEDIAN_SD * max(_LEAST_NOISE_PA, noise_pa),
            freeze_pa=freeze_sd_pa(self._setup, learned),
            airs=tuple(Air(leak_per_s=leak, full_gauge_pa=start_pa) for leak in leaks),
            weights=traits.weights(),
            likely=tuple(traits.likely(leak) for leak in leaks),
            start_u_pa=(reading.features.shut_in_slope_u_pa_s or 0.0) * max(0.0, shut_s - reading.shut_at_s),
            values=deque([(shut_s, shut_pa)], maxlen=_MEDIAN_OF),
            last_s=reading.shut_at_s,
            gauge_pa=start_pa,
        )

    def _going_m_s(self) -> float:
        """How fast the level moves by the shut tube; 0 where it has not surely moved by half a step, and still does."""
        since = self._since
        if since is None or since.last_s <= since.start_s:
            return 0.0
        least_pa = 0.5 * self._step_m * self._weight_pa_m
        for moved_pa, doubt_pa, leak_pa in self._movements(since):
            if abs(moved_pa) - leak_pa > max(doubt_pa, least_pa) and moved_pa * since.slope_pa_s > 0.0:
                return since.slope_pa_s / self._weight_pa_m
        return 0.0

    def _found_m(self, reading: Reading) -> float | None:
        """How far the level has moved by the readings alone, m; None when one of them has none."""
        if self._since is None or reading.level_m is None:
            return None
        return reading.level_m.value - self._since.level_m.value

    def _compare(self, since: Since, reading: Reading) -> None:
        """Correct what is known of the tube by what the purge found."""
        if (
            reading.head_pa is None
            or self.traits is None
            or reading.codes & _NOT_WATCHED
            or since.last_s <= since.start_s
        ):
            return
        late_s = (reading.shut_at_s or reading.ended_at_s) - since.last_s
        went_on_pa = since.slope_pa_s * late_s
        blur_pa = math.hypot(
            since.varying_u_pa,
            budget_u_pa(reading, VARYING, self._weight_pa_m),
            self._noise_pa(since),
            self._slow_pa(since, since.last_s - since.start_s),
            went_on_pa,
            # how it moves at the reading, it may have moved ever since the last value
            late_s * since.amplified * (reading.features.shut_in_slope_pa_s or 0.0) - went_on_pa,
        )
        found_pa = reading.head_pa.value - since.head_pa - went_on_pa
        self.traits = self.traits.corrected(
            [found_pa - rise_pa for rise_pa in since.rises_pa], blur_pa, hidden_pa=since.hidden_pa
        )

    # -- from value to value

    def _follow(self, since: Since, t_s: float, gauge_pa: float) -> None:
        dt_s, mean_pa = t_s - since.last_s, 0.5 * (since.gauge_pa + gauge_pa)
        since.last_s, since.gauge_pa = t_s, gauge_pa
        for air in since.airs:
            air.step(dt_s, mean_pa, gauge_pa, since.sd_pa)
        per_pa = self._traits.factor * hidden_rise_pa(self._setup, 1.0, gauge_pa)  # Boyle's law over the whole way
        hidden = [min(per_pa * max(0.0, gauge_pa - air.full_gauge_pa), self._tube_pa) for air in since.airs]
        since.rises_pa = tuple(gauge_pa - since.start_pa + each_pa for each_pa in hidden)
        since.hidden_pa = hidden[len(hidden) // 2] / self._traits.factor
        since.amplified = self._amplified(since, per_pa)
        rise_pa = since.rises_pa[len(since.airs) // 2]
        share = min(1.0, dt_s / _SLOPE_OVER_S)
        since.slope_pa_s += share * ((rise_pa - since.rise_pa) / dt_s - since.slope_pa_s)
        since.rise_pa = rise_pa
        since.recent.append((t_s, rise_pa))
        while since.recent[0][0] < t_s - _RECENT_S:
            since.recent.popleft()
        apart_pa = [each_pa - rise_pa for each_pa in since.rises_pa]
        var_pa2 = math.fsum(w * pa**2 for w, pa in zip(since.weights, apart_pa, strict=True)) / math.fsum(since.weights)
        # twice the uncertainty reaches to every leak that is likely, on the one side of the rise as on the other
        reach_pa = max(abs(pa) for pa, likely in zip(apart_pa, since.likely, strict=True) if likely)
        leak_pa = since.leak_u_pa = max(math.sqrt(var_pa2), 0.5 * reach_pa)
        factor_pa = self._traits.factor_u * since.hidden_pa
        # a last value that does not fit may be a wild one, or where the level has gone meanwhile
        last_pa = since.values[-1][1]
        since.unlike_pa = (1.0 + per_pa if last_pa > gauge_pa else since.amplified) * (last_pa - gauge_pa)
        since.u_pa = math.hypot(
            self._noise_pa(since), since.unlike_pa, leak_pa, factor_pa, self._slow_pa(since, t_s - since.start_s)
        )

    def _judged(self, since: Since, t_s: float) -> Estimate:
        moved_m, u_m = since.rise_pa / self._weight_pa_m, since.u_pa / self._weight_pa_m
        estimate = Estimate(
            decision=Decision.QUIET,
            reason="",
            moved_m=Measured(value=moved_m, u=u_m),
            level_m=Measured(value=since.level_m.value + moved_m, u=math.hypot(since.level_m.u, u_m)),
        )
        alarm = self._alarm(since, t_s, estimate)
        if alarm is not None:
            return replace(estimate, decision=Decision.PURGE, reason=alarm, urgent=True)
        why, blind = self._called(since), self._blind(since)
        held = None if why is None else self.early.held(t_s)
        if why is not None and held is None:
            return replace(estimate, decision=Decision.PURGE, reason=why)
        if blind is not None:
            return replace(estimate, decision=Decision.BLIND, reason=blind)
        return estimate if why is None else replace(estimate, decision=Decision.HELD, reason=f"{why}, but {held}")

    def _called(self, since: Since) -> str | None:
        """Why a purge is called for; None: it is not."""
        step_pa = self._step_m * self._weight_pa_m
        for moved_pa, doubt_pa, leak_pa in self._movements(since):
            # what may all be the leak is no movement
            if abs(moved_pa) > step_pa + doubt_pa and abs(moved_pa) - leak_pa > 0.5 * step_pa:
                way = "risen" if moved_pa > 0.0 else "fallen"
                return f"the level may have {way} by {1000.0 * abs(moved_pa) / self._weight_pa_m:.0f} mm"
        return None

    def _movements(self, since: Since) -> Iterator[tuple[float, float, float]]:
        """Movements that the last value shows: since the reading, and of late, each with what it may all be.

        Over an hour the air's temperature may look like a movement; over a minute or two it can't.

        Returns:
            Each movement; what noise, ripple, the air's temperature and weather can make of it; what the leak can; Pa.
        """
        whole_s = since.last_s - since.start_s
        begin_s, began_pa = since.recent[0] if since.recent else (since.start_s, 0.0)
        for from_s, from_pa in ((since.start_s, 0.0), (begin_s, began_pa)):
            doubt_pa = self._sure_pa(since) + _SLOW_SURE * self._slow_pa(since, since.last_s - from_s)
            leak_pa = 2.0 * since.leak_u_pa * (since.last_s - from_s) / whole_s
            yield _least(since.rise_pa - from_pa, since.rise_pa + since.unlike_pa - from_pa), doubt_pa, leak_pa

    def _alarm(self, since: Since, t_s: float, estimate: Estimate) -> str | None:
        """Why a purge is called for an alarm's level; None: it is not, or no movement is sure."""
        rate_m_s = self._going_m_s()
        if rate_m_s == 0.0 or estimate.level_m is None:
            return None
        return self._alarms.call(t_s, estimate.level_m.value, since.u_pa / self._weight_pa_m, rate_m_s)

    def _blind(self, since: Since) -> str | None:
        if not self._traits.told:
            return "no purge has told yet what the tube loses"
        if 2.0 * since.leak_u_pa > self._step_m * self._weight_pa_m:
            return (
                f"the tube's leak is known too little to tell a movement of {1000.0 * self._step_m:.0f} mm from it "
                f"{since.last_s - since.start_s:.0f} s after a purge"
            )
        if self._traits.factor * since.hidden_pa > _FLOODED * self._tube_pa:
            return "the tube seems to have lost its air"
        return None

    @property
    def _traits(self) -> TubeTraits:
        return self.traits or TubeTraits(leak_per_s=0.0, leak_u_per_s=0.0)

    def _amplified(self, since: Since, per_pa: float) -> float:
        """By how much a change of pressure counts: as it is in a full tube, more where the air is compressed."""
        full = self._traits.factor * since.hidden_pa <= STILL * since.sd_pa * per_pa
        return 1.0 if full else 1.0 + per_pa

    def _noise_pa(self, since: Since) -> float:
        # of the ripple the closing froze one part, and a fall or the last bubble another
        return since.amplified * math.hypot(since.sd_pa, math.sqrt(2.0) * since.freeze_pa, since.start_u_pa)

    def _sure_pa(self, since: Since) -> float:
        return since.amplified * math.hypot(_SURE * since.sd_pa, _RIPPLE_SURE * since.freeze_pa)

    def _slow_pa(self, since: Since, for_s: float) -> float:
        """Standard uncertainty from the air's temperature and the weather over a time, Pa."""
        setup = self._setup
        by_air_pa = self._space.temperature_shift_pa(
            min(_MOST_COOLING_K, _COOLING_K_S * for_s),
            temperature_k=setup.air_k,
            abs_pa=setup.atmosphere_abs_pa + max(0.0, since.start_pa),
            rise_m=0.0,
            density_kg_m3=setup.density_kg_m3,
            gravity_m_s2=setup.gravity_m_s2,
        )
        return since.amplified * math.hypot(by_air_pa, _WEATHER_PA_S * for_s) / math.sqrt(3.0)

    def _failed(self, gauge_pa: float) -> bool:
        low, high = self._setup.fail_low_pa, self._setup.fail_high_pa
        return (low is not None and gauge_pa <= low) or (high is not None and gauge_pa >= high)


def _least(moved_pa: float, last_pa: float) -> float:
    """A movement as far as the last value bears it out: what it takes back may have been noise."""
    return 0.0 if moved_pa * last_pa <= 0.0 else math.copysign(min(abs(moved_pa), abs(last_pa)), moved_pa)
