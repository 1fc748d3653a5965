"""The fault catalogue, lived through in virtual time: told, shown and survived as each file says it must be.

What a user would lose if one failed: a wrong level shown as good, a valve left open, a fault that nobody is told of, or
a tank that stays blind after the fault has gone. `python -m tests.faults` prints the same runs as a matrix.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from tests.faults.faultfile import FaultFile, catalogue, read_fault
from tests.faults.known import KNOWN
from tests.faults.life import live
from tests.faults.outcome import judged

FAULTS = catalogue()
SHORT = 4
"""One in so many is run each time; the others belong to the campaign."""


def _name(fault: FaultFile) -> str:
    return f"{fault.form.kind}: {fault.form.name}"


def _live_through(fault: FaultFile, folder: Path) -> None:
    outcome = judged(live(fault, folder))
    reason = KNOWN.get(fault.form.name)
    if reason is None:
        assert not outcome.failures, "\n".join(outcome.failures)
    else:
        print(f"known to fail: {_name(fault)}: {reason}")
        assert outcome.failures, f"{fault.form.name} is as it must be now; take it out of KNOWN"


@pytest.mark.parametrize("fault", FAULTS[::SHORT], ids=_name)
def test_one_fault_in_four_is_told_shown_and_survived_as_it_must_be(fault: FaultFile, tmp_path: Path) -> None:
    _live_through(fault, tmp_path)


@pytest.mark.campaign
@pytest.mark.parametrize("fault", [f for n, f in enumerate(FAULTS) if n % SHORT], ids=_name)
def test_the_others_of_the_catalogue_too(fault: FaultFile, tmp_path: Path) -> None:
    _live_through(fault, tmp_path)


def test_the_catalogue_is_as_wide_as_is_asked() -> None:
    """At least 60 faults, of every kind."""
    by_kind = Counter(fault.form.kind for fault in FAULTS)
    assert len(FAULTS) >= 60
    assert all(by_kind[kind] >= 8 for kind in ("plant", "device", "link", "clock", "store")), by_kind


def test_what_is_known_to_fail_stands_in_the_catalogue() -> None:
    assert set(KNOWN) <= {fault.form.name for fault in FAULTS}


def test_a_tank_without_a_fault_has_nothing_to_tell(tmp_path: Path) -> None:
    """Else the frame itself would be the fault that is told."""
    path = tmp_path / "none.yaml"
    path.write_text(
        "name: nothing\nkind: plant\nsays: All is well.\nsets: {}\nexpect: {outcome: harmless}\n", encoding="utf-8"
    )
    outcome = judged(live(read_fault(path), tmp_path))
    assert outcome.failures == ()
    assert (outcome.detected, outcome.qualities, outcome.valve, outcome.recovered) == ("ok", "good", "shut", 1)
