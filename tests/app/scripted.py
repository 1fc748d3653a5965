"""A small cycle with no arithmetic in it, and devices that answer by script: for testing who does what and when."""

from __future__ import annotations

from dataclasses import dataclass, field

from lungfish.core.codes import Diagnosis, Finding, Quality
from lungfish.core.events import (
    Abort,
    Action,
    AirGranted,
    AskAir,
    Event,
    Finish,
    PressureRead,
    Sample,
    SetValve,
    Start,
    Tick,
    ValveFailed,
    ValveSeen,
    ValveState,
    Wake,
)
from lungfish.core.reading import Features, Phase, Reading, TraceSample
from lungfish.core.setup import Learned
from lungfish.errors import DeviceError, DeviceTimeout
from lungfish.ports import Clock, PressureSample, ValveEcho


class ScriptedCycle:
    """Looks for a while, opens for a while, listens for a while; every way out shuts the valve first."""

    def __init__(
        self, *, look_s: float = 1.0, open_s: float = 3.0, listen_s: float = 2.0, period_s: float = 0.1
    ) -> None:
        self.look_s, self.open_s, self.listen_s, self.period_s = look_s, open_s, listen_s, period_s
        self.phase = Phase.REST
        self.started_at_s = 0.0
        self.opened_at_s: float | None = None
        self.shut_at_s: float | None = None
        self.trace: list[TraceSample] = []
        self.code = Diagnosis.OK
        self.why = "as scripted"

    def step(self, event: Event) -> tuple[Action, ...]:
        match event:
            case Start(t_s=t_s):
                self.started_at_s = t_s
                self.phase = Phase.LOOK
                return (Sample(period_s=self.period_s), Wake(at_s=t_s + self.look_s))
            case PressureRead(t_s=t_s, gauge_pa=gauge_pa):
                self.trace.append(TraceSample(t_s - self.started_at_s, gauge_pa, self.phase))
            case Tick(t_s=t_s):
                return self._due(t_s)
            case AirGranted():
                self.phase = Phase.FILL
                return (SetValve(state=ValveState.OPEN),)
            case ValveSeen(t_s=t_s, state=ValveState.OPEN):
                self.opened_at_s = t_s
                return (Wake(at_s=t_s + self.open_s),)
            case ValveSeen(t_s=t_s, state=ValveState.SHUT):
                self.shut_at_s = t_s
                if self.code is Diagnosis.OK:
                    return (Wake(at_s=t_s + self.listen_s),)
                return self._finish(t_s)
            case ValveFailed(t_s=t_s, wanted=wanted, reason=reason):
                self.code, self.why = Diagnosis.LINK_LOST, reason
                return (SetValve(state=ValveState.SHUT),) if wanted is ValveState.OPEN else self._finish(t_s)
            case Abort(reason=reason):
                self.code, self.why = Diagnosis.ABORTED, reason
                return (SetValve(state=ValveState.SHUT),)
            case _:
                pass
        return ()

    def _due(self, t_s: float) -> tuple[Action, ...]:
        if self.phase is Phase.LOOK:
            return (AskAir(),)
        if self.phase is Phase.FILL:
            self.phase = Phase.SHUT_IN
            return (SetValve(state=ValveState.SHUT),)
        return self._finish(t_s)

    def _finish(self, t_s: float) -> tuple[Action, ...]:
        self.phase = Phase.DONE
        quality = Quality.GOOD if self.code is Diagnosis.OK else Quality.BAD
        reading = Reading(
            started_at_s=self.started_at_s,
            opened_at_s=self.opened_at_s,
            shut_at_s=self.shut_at_s if self.opened_at_s is not None else None,
            ended_at_s=t_s,
            head_pa=None,
            level_m=None,
            budget=None,
            findings=(Finding(code=self.code, quality=quality, sentence=self.why),),
            features=Features(samples=len(self.trace)),
            trace=tuple(self.trace),
            learned=Learned(cycles=1),
        )
        return (SetValve(state=ValveState.SHUT), Sample(period_s=0.0), Finish(reading=reading))


@dataclass
class ScriptedTransmitter:
    """Answers after `takes_s` with the pressure of the script; fails while `fails` is set."""

    clock: Clock
    takes_s: float = 0.01
    fails: DeviceError | None = None
    requests_s: list[float] = field(default_factory=list)

    async def read(self) -> PressureSample:
        asked_at_s = self.clock.monotonic_s()
        self.requests_s.append(asked_at_s)
        await self.clock.sleep_until(asked_at_s + self.takes_s)
        if self.fails is not None:
            raise self.fails
        return PressureSample(at_s=asked_at_s + self.takes_s / 2, gauge_pa=20_000.0, took_s=self.takes_s)


@dataclass
class ScriptedValve:
    """A valve that notes its moves; `shut_fails` and `open_fails` count down the commands that get no answer."""

    clock: Clock
    takes_s: float = 0.01
    is_open: bool = False
    shut_fails: int = 0
    open_fails: int = 0
    shut_ignored: int = 0
    """So many commands to shut are answered by an output that reads back as open."""
    obeys_lost_open: bool = True
    """A command to open whose answer is lost was carried out all the same."""
    moves: list[tuple[float, bool]] = field(default_factory=list)
    commands: list[tuple[float, ValveState]] = field(default_factory=list)

    def _move(self, to_open: bool) -> None:
        if to_open is not self.is_open:
            self.is_open = to_open
            self.moves.append((self.clock.monotonic_s(), to_open))

    async def command(self, state: ValveState) -> ValveEcho:
        asked_at_s = self.clock.monotonic_s()
        self.commands.append((asked_at_s, state))
        await self.clock.sleep_until(asked_at_s + self.takes_s / 2)
        if state is ValveState.OPEN and self.open_fails > 0:
            self.open_fails -= 1
            if self.obeys_lost_open:
                self._move(True)
            raise DeviceTimeout("no answer to the command to open")
        if state is ValveState.SHUT and self.shut_fails > 0:
            self.shut_fails -= 1
            raise DeviceTimeout("no answer to the command to shut")
        if state is ValveState.SHUT and self.shut_ignored > 0:
            self.shut_ignored -= 1
            return ValveEcho(at_s=self.clock.monotonic_s(), state=ValveState.OPEN)
        self._move(state is ValveState.OPEN)
        await self.clock.sleep_until(asked_at_s + self.takes_s)
        return ValveEcho(at_s=asked_at_s + self.takes_s / 2, state=state)

    async def observe(self) -> ValveEcho:
        state = ValveState.OPEN if self.is_open else ValveState.SHUT
        return ValveEcho(at_s=self.clock.monotonic_s(), state=state)

    def open_s(self, now_s: float) -> float:
        """Longest time that it has been open in one go."""
        longest_s, since_s = 0.0, None
        for at_s, is_open in [*self.moves, (now_s, False)]:
            if is_open:
                since_s = at_s
            elif since_s is not None:
                longest_s, since_s = max(longest_s, at_s - since_s), None
        return longest_s
