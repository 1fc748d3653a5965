"""A recorded cycle, heard again: the same events must lead to the same actions and the same level."""

from __future__ import annotations

import math

import pytest

from lungfish.core.cycle import Cycle
from tests.core.recording import FOLDER, RECORDED, load, told

WITHIN = 1e-12


def alike(ours: object, theirs: object) -> bool:
    """Equal, numbers to one part in 1e12 (or 1e-12 of their unit)."""
    if isinstance(ours, float) and isinstance(theirs, int | float):
        return math.isclose(ours, theirs, rel_tol=WITHIN, abs_tol=WITHIN)
    return ours == theirs


@pytest.mark.parametrize("name", RECORDED)
def test_the_same_events_lead_to_the_same_actions(name: str) -> None:
    recording = load(name)
    cycle = Cycle(recording.setup, recording.learned)
    for number, (event, expected) in enumerate(recording.steps):
        actions = [told(action) for action in cycle.step(event)]
        assert [action["kind"] for action in actions] == [action["kind"] for action in expected], f"event {number}"
        for ours, theirs in zip(actions, expected, strict=True):
            assert ours.keys() == theirs.keys()
            for key, value in ours.items():
                assert alike(value, theirs[key]), f"event {number}, {ours['kind']}.{key}: {value}, was {theirs[key]}"


def test_the_recordings_are_of_three_kinds() -> None:
    """They must not all end the same way, or a change could pass them by."""
    endings = {}
    for name in RECORDED:
        (ending,) = [action for _, actions in load(name).steps for action in actions if action["kind"] == "Finish"]
        endings[name] = (ending["quality"], ending["diagnosis"])
    assert endings["first-purge"] == ("good", "ok")
    assert endings["leaking-tube"] == ("uncertain", "line_leak")
    assert endings["plugged-tip"] == ("bad", "tube_plugged")
    assert {path.stem for path in FOLDER.glob("*.jsonl")} == set(RECORDED)
