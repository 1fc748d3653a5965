"""The baseline's part of the screen: learning, normal, a call with its forecast, and what is not to be shown."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from lungfish.cli.baseline import KeptBaseline
from lungfish.cli.explain_baseline import baseline_lines, call_lines
from lungfish.cli.main import main
from lungfish.config import cycle_setup
from lungfish.core.baseline import DAY_S, LEARNING_CYCLES, Baseline, follow, locked
from lungfish.core.traits import Trait, yardsticks
from lungfish.ports import BaselineAct, BaselineRequest, ClockState, Stamp
from lungfish.store import Store
from tests.app.virtual_site import HEAD, TANK, site_of
from tests.store.samples import reading

UTC = ZoneInfo("UTC")
SITE = site_of(1)
SETUP = cycle_setup(SITE, SITE.tanks["t0"])
FRICTION_PA = yardsticks(SETUP)[Trait.FRICTION].expected or 0.0
START_S = 1_772_323_200.0
"""2026-03-01T00:00:00Z."""


def followed(days: int, *, grows_pa_a_day: float = 0.0, cycles_a_day: int = 10) -> Baseline:
    """A baseline after so many days; friction grows from the eleventh on."""
    baseline = Baseline()
    for cycle in range(days * cycles_a_day):
        day = cycle / cycles_a_day
        wander = 2.0 * ((cycle % 5) - 2.0)
        friction_pa = FRICTION_PA + wander + grows_pa_a_day * max(0.0, day - 10.0)
        baseline, _ = follow(SETUP, baseline, {Trait.FRICTION: friction_pa}, START_S + day * DAY_S)
    return baseline


def kept(baseline: Baseline, **changes: object) -> KeptBaseline:
    whole = KeptBaseline(tank=SITE.tanks["t0"], setup=SETUP, baseline=baseline, outdated=False, requests=())
    return replace(whole, **changes)  # type: ignore[arg-type] # a test's own misspelling fails at once


def lines_of(it: KeptBaseline, *, unicode: bool = True) -> list[str]:
    return list(baseline_lines(it, UTC, unicode=unicode))


def test_while_it_learns_it_says_how_far_it_is() -> None:
    assert lines_of(kept(Baseline())) == ["baseline: no usable cycle yet"]
    (line,) = lines_of(kept(followed(1, cycles_a_day=LEARNING_CYCLES - 1)))
    assert line == f"baseline: learning, {LEARNING_CYCLES - 1} of {LEARNING_CYCLES} usable cycles"


def test_a_quiet_baseline_shows_normal_days_and_chart_and_calls_nothing() -> None:
    baseline = followed(10)
    head, friction, *others = lines_of(kept(locked(baseline, True)))
    assert head.startswith("baseline since 2026-03-01, 100 usable cycles, locked")
    assert head.split()[-5:] == ["last", "day", "chart", "calls", "at"]
    normal, _, last, chart, calls_at = (float(word) for word in friction.split()[-5:])
    assert normal == pytest.approx(FRICTION_PA, abs=2.0)
    assert last == pytest.approx(FRICTION_PA, abs=2.0)
    assert abs(chart) < calls_at
    assert not any("called" in line or "reaches" in line for line in others)
    assert list(call_lines(kept(baseline), UTC)) == []


def test_a_call_stands_at_the_top_and_its_forecast_below() -> None:
    it = kept(followed(40, grows_pa_a_day=3.0))
    (top,) = call_lines(it, UTC)
    assert top.startswith("friction has grown since 2026-03-1")
    assert "NE 107: M maintenance required" in top
    lines = lines_of(it)
    assert any(line.strip().startswith("the chart called up on 2026-03-1") for line in lines)
    assert any("(95 %) if it goes on so" in line for line in lines)
    chart, calls_at = (float(word) for word in lines[1].split()[-2:])
    assert chart >= calls_at


def test_it_fits_the_screen_in_both_kinds_of_signs() -> None:
    it = kept(locked(followed(100, grows_pa_a_day=3.0), True))
    for unicode in (True, False):
        lines = lines_of(it, unicode=unicode)
        assert max(map(len, lines)) <= 100
        assert unicode or all(line.replace("±", "+-").isascii() for line in lines)


def test_what_was_learned_under_other_settings_is_not_shown_as_normal() -> None:
    (line,) = lines_of(kept(followed(20, grows_pa_a_day=50.0), outdated=True))
    assert "other settings" in line
    assert list(call_lines(kept(followed(20, grows_pa_a_day=50.0), outdated=True), UTC)) == []


def test_what_is_asked_for_and_not_done_yet_is_told() -> None:
    request = BaselineRequest(number=1, tank="t0", act=BaselineAct.RESET, name="ada", reason="tube cleaned")
    first, *_ = lines_of(kept(Baseline(), requests=(request,)))
    assert first == "baseline: reset is asked for by ada (tube cleaned), not done yet"


def test_explain_takes_it_from_the_store(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site = tmp_path / "site.yaml"
    site.write_text(
        HEAD.format(simultaneous=1) + TANK.format(name="t0", unit=1, max_open="60 s", every="10 min"), "utf-8"
    )

    def now() -> Stamp:
        return Stamp(boot_id="b", monotonic_s=0.0, utc_s=START_S, clock=ClockState.SYNCHRONISED)

    store = Store.open(tmp_path / "invented.db", now=now)
    store.put_reading(reading(0.0, tank="t0"))
    store.put_baseline("t0", followed(40, grows_pa_a_day=3.0), "other settings")
    store.flush().result(10.0)
    store.close()
    assert main(["explain", str(site), "t0"]) == 0
    out = capsys.readouterr().out
    assert "baseline: learned under other settings" in out
    assert "has grown" not in out
