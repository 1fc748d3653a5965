"""The daemon and its tanks' baselines: learned, kept, asked for, dropped, and told once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from lungfish.app.upkeep import answered_text, between, notice_text
from lungfish.core.baseline import LEARNING_CYCLES, Baseline, Notice, Said, Way
from lungfish.core.forecast import Forecast
from lungfish.core.normal import Normal
from lungfish.core.traits import Trait
from lungfish.ports import BaselineAct, BaselineRequest
from lungfish.rig.virtual_loop import run_virtual
from tests.app.virtual_site import MemoryKeeper, VirtualSite, site_of

HOUR_S = 3600.0


def run(keeper: MemoryKeeper, hours: float, before: Callable[[], None] | None = None) -> VirtualSite:
    async def main() -> VirtualSite:
        site = VirtualSite(site_of(1), keeper=keeper)
        if before is not None:
            before()
        assert await site.run_for(hours * HOUR_S - 1.0)
        return site

    return run_virtual(main())


def kept(keeper: MemoryKeeper) -> Baseline:
    return keeper.kept_baselines["t0"][0]


def request(number: int, act: BaselineAct) -> BaselineRequest:
    return BaselineRequest(number=number, tank="t0", act=act, name="J. Doe", reason="tube pulled and cleaned")


def test_the_first_cycles_are_learned_and_told_once() -> None:
    keeper = MemoryKeeper()
    run(keeper, LEARNING_CYCLES / 6.0 + 1.0)
    normal = kept(keeper).tracks[Trait.FRICTION].normal
    assert normal is not None
    told = keeper.told("baseline")
    assert len([text for text in told if text.startswith("friction") and "is normal here" in text]) == 1
    assert keeper.told("maintenance") == []


def test_a_second_start_goes_on_where_the_first_stopped() -> None:
    keeper = MemoryKeeper()
    run(keeper, 1.0)
    first = kept(keeper)
    assert first.cycles == 6
    run(keeper, 1.0)
    assert kept(keeper).cycles == 12
    assert kept(keeper).since_s == first.since_s


def test_what_was_learned_under_other_settings_is_dropped_and_told() -> None:
    keeper = MemoryKeeper()
    run(keeper, 1.0)
    keeper.kept_baselines["t0"] = (kept(keeper), "other")
    run(keeper, 0.5)
    assert kept(keeper).cycles == 3
    assert len([text for text in keeper.told("baseline") if "settings have changed" in text]) == 1


def test_a_request_is_done_before_the_next_cycle_and_kept_as_an_event() -> None:
    keeper = MemoryKeeper()
    run(keeper, 1.0)
    keeper.requests = [request(7, BaselineAct.RESET), request(8, BaselineAct.LOCK)]
    run(keeper, 0.5)
    assert keeper.requests == []
    assert kept(keeper).cycles == 3, "those after the reset"
    assert kept(keeper).locked
    asked = [text for text in keeper.told("baseline") if "J. Doe" in text]
    assert ["reset" in asked[0], "locked" in asked[1]] == [True, True]
    assert all("tube pulled and cleaned" in text for text in asked)


def test_a_disk_that_hangs_delays_the_answer_and_no_cycle() -> None:
    keeper = MemoryKeeper()
    keeper.requests = [request(1, BaselineAct.LOCK)]

    def hang() -> None:
        keeper.stuck = True

    site = run(keeper, 1.0, hang)
    assert len(site.keeper.readings) == 6
    assert not kept(keeper).locked


NORMAL = Normal(centre=900.0, spread=20.0, weight=500.0, since_s=0.0, learned_centre=905.0, doubted=False, varies=900.0)
CALL = Notice(
    trait=Trait.FRICTION,
    said=Said.CALLED,
    way=Way.UP,
    value=912.3,
    normal=NORMAL,
    sd=2.0,
    forecast=Forecast(early_s=1_796_990_400.0, best_s=1.7977e9, late_s=1_798_545_600.0),
)


def test_a_call_says_how_much_where_to_look_and_when() -> None:
    text = notice_text(CALL)
    for part in ("912.3 Pa", "900.0 Pa +- 4.0 Pa", "look at the tip", "between 2026-12-11 and 2026-12-29 (95 %)"):
        assert part in text
    assert "can't be told yet" in notice_text(replace(CALL, forecast=None))


@pytest.mark.parametrize("trait", list(Trait))
@pytest.mark.parametrize("way", list(Way))
@pytest.mark.parametrize("said", list(Said))
def test_every_notice_can_be_said(trait: Trait, way: Way, said: Said) -> None:
    watched = way is Way.UP or trait in (Trait.FRICTION, Trait.RIPPLE)
    if watched:
        text = notice_text(replace(CALL, trait=trait, way=way, said=said, forecast=None))
        assert str(round(CALL.value)) in text
        assert len(text) < 400


def test_a_forecast_beyond_the_calendar_is_no_crash() -> None:
    assert "9999" in between(Forecast(early_s=-1e30, best_s=1e9, late_s=1e30))


def test_every_request_can_be_answered_for() -> None:
    assert len({answered_text(request(1, act)) for act in BaselineAct}) == len(BaselineAct)
