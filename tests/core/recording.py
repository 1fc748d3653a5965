"""Whole cycles as they were recorded once: every event and what was asked for, in JSON, one line an event.

`python -m tests.core.recording` records them anew, after a change that is meant to change them.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Mapping, Sequence
from enum import Enum
from pathlib import Path
from unittest import mock

from lungfish.core.cycle import Cycle
from lungfish.core.events import (
    Abort,
    Action,
    AirGranted,
    Event,
    Finish,
    InputSeen,
    PressureRead,
    ReadFailed,
    Start,
    Tick,
    ValveFailed,
    ValveSeen,
    ValveState,
)
from lungfish.core.reading import Reading
from lungfish.core.setup import CycleSetup, Learned
from lungfish.rig.drive import LinkTiming, run_plant_cycle
from lungfish.rig.plant import Faults, Plant
from tests.core.samples import plant_of, setup_of

__all__ = ["FOLDER", "RECORDED", "Recording", "load", "told"]

FOLDER = Path(__file__).parent / "golden"

_EVENTS: dict[str, type[Event]] = {
    kind.__name__: kind
    for kind in (Start, AirGranted, PressureRead, ReadFailed, ValveSeen, ValveFailed, InputSeen, Tick, Abort)
}


@dataclasses.dataclass(frozen=True)
class Recording:
    """One recorded cycle."""

    setup: CycleSetup
    learned: Learned
    steps: list[tuple[Event, list[dict[str, object]]]]
    """Each event, and the actions that it led to as `told`."""


def _plain(value: object) -> object:
    return value.value if isinstance(value, Enum) else value


def _fields(value: object) -> dict[str, object]:
    assert dataclasses.is_dataclass(value)
    return {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}


def _told_reading(reading: Reading) -> dict[str, object]:
    level, head = reading.level_m, reading.head_pa
    return {
        "diagnosis": reading.diagnosis,
        "quality": reading.quality.value,
        "level_m": None if level is None else level.value,
        "level_u_m": None if level is None else level.u,
        "head_pa": None if head is None else head.value,
        "opened_at_s": reading.opened_at_s,
        "shut_at_s": reading.shut_at_s,
        "air_pa_m3": reading.features.air_pa_m3,
        "damping_s": reading.features.damping_s,
        "friction_ratio": reading.learned.friction_ratio,
    }


def told(action: Action) -> dict[str, object]:
    """An action as it is recorded: its kind and its fields; of a reading what matters to a site."""
    kind: dict[str, object] = {"kind": type(action).__name__}
    return kind | (_told_reading(action.reading) if isinstance(action, Finish) else _fields(action))


def _event_of(line: Mapping[str, object]) -> Event:
    fields = {name: value for name, value in line.items() if name not in ("kind", "actions")}
    for name in ("state", "wanted"):
        if name in fields:
            fields[name] = ValveState(fields[name])
    return _EVENTS[str(line["kind"])](**fields)  # type: ignore[arg-type] # a wrong field fails at once


def load(name: str) -> Recording:
    """A recorded cycle by its name."""
    lines = [json.loads(line) for line in (FOLDER / f"{name}.jsonl").read_text("utf-8").splitlines()]
    begin, events = lines[0], lines[1:]
    steps = [(_event_of(line), line["actions"]) for line in events]
    return Recording(CycleSetup(**begin["setup"]), Learned(**begin["learned"]), steps)


class _Recorder(Cycle):
    """A cycle that writes down what it hears and asks for."""

    lines: list[dict[str, object]]

    def __init__(self, setup: CycleSetup, learned: Learned) -> None:
        super().__init__(setup, learned)
        type(self).lines = [{"setup": _fields(setup), "learned": _fields(learned)}]

    def step(self, event: Event) -> tuple[Action, ...]:
        line: dict[str, object] = {"kind": type(event).__name__, **_fields(event)}
        type(self).lines.append(line)
        actions = super().step(event)
        line["actions"] = [told(action) for action in actions]
        return actions


def _record(plant: Plant, setup: CycleSetup, cycles: int = 1, fault: Faults | None = None) -> Sequence[object]:
    """Run so many cycles, the last one with the fault; its lines."""
    learned = Learned()
    timing = LinkTiming(read_s=0.017, write_s=0.035)
    with mock.patch("lungfish.rig.drive.Cycle", _Recorder):
        for cycle in range(cycles):
            if cycle == cycles - 1 and fault is not None:
                plant.faults = fault
            plant.advance(max(plant.now_s, 600.0 * cycle))
            learned = run_plant_cycle(plant, setup, learned, timing).learned
    return _Recorder.lines


def _first_purge() -> Sequence[object]:
    setup = setup_of()
    return _record(plant_of(setup, 2.0, seed=11), setup)


def _leaking_tube() -> Sequence[object]:
    setup = setup_of(tee_at_valve=False, line_length_m=6.0)
    return _record(plant_of(setup, lambda t: 1.4 + 2e-5 * t, seed=12, leak_pa_m3_s_pa=6e-6), setup, cycles=2)


def _plugged_tip() -> Sequence[object]:
    setup = setup_of()
    return _record(plant_of(setup, 2.0, seed=13), setup, cycles=2, fault=Faults(plugged=True))


RECORDED: dict[str, Callable[[], Sequence[object]]] = {
    "first-purge": _first_purge,
    "leaking-tube": _leaking_tube,
    "plugged-tip": _plugged_tip,
}


def main() -> None:
    """Record all of them anew."""
    FOLDER.mkdir(exist_ok=True)
    for name, make in RECORDED.items():
        lines = [json.dumps(line, separators=(",", ":")) for line in make()]
        (FOLDER / f"{name}.jsonl").write_text("\n".join(lines) + "\n", "utf-8")


if __name__ == "__main__":
    main()
