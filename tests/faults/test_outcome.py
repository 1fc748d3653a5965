"""What the catalogue's judge must not let pass: each of these lives is judged against a file that asks for too much."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.faultfile import read_fault
from tests.faults.life import live
from tests.faults.outcome import judged

FILE = "name: {name}\nkind: plant\nsays: As the name says.\ngood_cycles: 2\nfaulty_cycles: 2\n{more}\n"

TOO_MUCH = {
    "a wrong level shown as good": (
        "sets: {truth: {density_kg_m3: 1100.0}}\nexpect: {outcome: harmless}",
        "a good level off by 1",
    ),
    "a fault that is never told": (
        "sets: {plant: {flow_factor: 1.01}}\nexpect: {outcome: told, codes: [no_air]}",
        "never told, wanted after 1: ok; ok",
    ),
    "another code than the right one": (
        "sets: {plant: {air_lost: true}}\nexpect: {outcome: told, codes: [line_leak], quality: [uncertain]}",
        "cycle 1 told as no_air",
    ),
    "a better quality than is right": (
        "sets: {truth: {noise_pa: 3.0}}\nexpect: {outcome: harmless, quality: [bad]}",
        "shown as good, wanted bad",
    ),
    "air that runs on": (
        "sets: {plant: {valve_passes_share: 0.03}}\nexpect: {outcome: harmless}",
        "the valve is shut, passes, wanted shut",
    ),
    "an output that stays on": (
        "sets: {block: {coil_ignores: shut}}\nexpect: {outcome: told, codes: [link_lost], quality: [bad]}",
        "the valve is not known, on, wanted shut",
    ),
    "a fault that outlasts its end": (
        "after_cycles: 2\nsets: {link: {refused: true, cut: true}}\n"
        "expect: {outcome: told, codes: [link_lost], quality: [bad], valve: unknown, recovers: 1}\nlasts_s: 3000",
        "well again not at all, wanted after 1",
    ),
    "rows that are not kept": (
        "sets: {disk: {deleted: true}}\nexpect: {outcome: told, event: store}",
        "are in the store",
    ),
    "a row that claims a right clock": (
        "sets: {}\nexpect: {outcome: harmless, marked: true}",
        "claims a synchronised clock",
    ),
}


@pytest.mark.parametrize(("more", "failure"), TOO_MUCH.values(), ids=TOO_MUCH)
def test_what_must_not_pass(tmp_path: Path, more: str, failure: str) -> None:
    path = tmp_path / "fault.yaml"
    path.write_text(FILE.format(name="too much", more=more), encoding="utf-8")
    failures = judged(live(read_fault(path), tmp_path)).failures
    assert any(failure in text for text in failures), failures
