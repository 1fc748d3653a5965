"""What switches of supply and flow add to a cycle's verdict."""

from __future__ import annotations

import pytest

from lungfish.core.codes import Diagnosis, Quality
from lungfish.core.evidence import tip_proven
from tests.core.stories import SETTLED, Story, case_of, judged

FULL = Story(trapped_pa=19_000.0, plateau_pa=19_000.0, shut_in_pa=19_000.0, fill_s=0.0, hold_s=1.5)
"""A full, tight tube under a transmitter that sees neither friction nor ripple: air or none, it looks the same."""


@pytest.mark.parametrize(("flow_seen", "proven"), [(True, True), (None, False), (False, False)])
def test_a_flow_switch_proves_what_the_pressure_can_not(flow_seen: bool | None, proven: bool) -> None:
    record = FULL.record()
    record.flow_seen = flow_seen
    assert tip_proven(case_of(record, learned=SETTLED)) is proven


@pytest.mark.parametrize("switch", ["supply_seen", "flow_seen"])
def test_a_switch_that_misses_air_is_believed_before_any_trace(switch: str) -> None:
    """A plain, timely rise: without the switch it is good."""
    record = Story().record()
    assert judged(record).quality is Quality.GOOD
    setattr(record, switch, False)
    reading = judged(record)
    assert Diagnosis.NO_AIR in reading.codes
    assert reading.quality is Quality.BAD


def test_air_that_flows_through_a_shut_valve_is_told() -> None:
    record = Story().record()
    record.flow_at_rest = True
    assert Diagnosis.VALVE_STUCK_OPEN in judged(record).codes
