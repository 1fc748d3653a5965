"""The air budget: when the next purge may start; clocks may lie, the daemon may die."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lungfish.core.air_budget import DAY_S, HOUR_S, KeptOpening, Limits, Opening, permission, recent
from lungfish.core.clearing_tries import TryMoment


def spent(*openings: tuple[float, float]) -> list[Opening]:
    return [Opening(at_s=at_s, air_m3=air_m3) for at_s, air_m3 in openings]


def test_without_limits_a_purge_may_start_at_once() -> None:
    found = permission(spent((0.0, 1.0), (1.0, 1.0)), Limits(), 1.0, 1.0)
    assert (found.from_s, found.why) == (1.0, "")


@pytest.mark.parametrize(
    ("limits", "now_s", "from_s", "why"),
    [
        # purges ended at 0, 600 and 1200 s and took 0.5, 0.3 and 0.4 L; the next may take 1 L
        (Limits(purges_per_hour=4), 1300.0, 1300.0, ""),
        (Limits(purges_per_hour=3), 1300.0, 3600.0, "3 of 3 purges within an hour are used"),
        (Limits(purges_per_hour=2), 1300.0, 4200.0, "3 of 2 purges"),
        (Limits(purges_per_hour=3), 3599.0, 3600.0, "3 of 3"),
        (Limits(purges_per_hour=3), 3600.0, 3600.0, ""),
        (Limits(air_per_day_m3=2.2e-3), 1300.0, 1300.0, ""),
        (Limits(air_per_day_m3=2.1e-3), 1300.0, 86400.0, "1.2 of 2.1 standard litres within 24 h are used"),
        (Limits(air_per_day_m3=1.5e-3), 1300.0, 87000.0, "a purge may take 1.0"),
        (Limits(air_per_day_m3=1.0e-3), 1300.0, 87600.0, "1.2 of 1 standard litres"),
        (Limits(rest_s=10.0), 1205.0, 1210.0, "10 s must lie between two purges, and the last ended 5 s ago"),
        (Limits(rest_s=10.0), 1210.0, 1210.0, ""),
        (Limits(rest_s=10.0, purges_per_hour=3, air_per_day_m3=2.1e-3), 1205.0, 86400.0, "within 24 h"),
    ],
)
def test_the_moment_and_the_reason_follow_from_what_was_spent(
    limits: Limits, now_s: float, from_s: float, why: str
) -> None:
    found = permission(spent((600.0, 0.3e-3), (0.0, 0.5e-3), (1200.0, 0.4e-3)), limits, now_s, 1e-3)
    assert found.from_s == from_s
    assert why in found.why
    assert bool(found.why) == bool(why)


@pytest.mark.parametrize(
    "limits", [Limits(rest_s=10.0), Limits(purges_per_hour=1), Limits(air_per_day_m3=1.5e-3)], ids=str
)
def test_what_is_under_way_stands_in_the_way_only_until_it_is_over(limits: Limits) -> None:
    under_way = [Opening(at_s=0.0, air_m3=1e-3, under_way=True)]
    found = permission(under_way, limits, 50.0, 1e-3)
    assert 50.0 < found.from_s < 55.0  # ask again soon: it may take less, or open nothing at all
    assert found.why
    spent_too = [*under_way, Opening(at_s=10.0, air_m3=1e-3)]
    later = permission(spent_too, limits, 15.0, 1e-3)
    assert later.from_s == permission(spent_too[1:], limits, 15.0, 1e-3).from_s > 15.0


def kept(
    boot: str, monotonic_s: float, utc_s: float, *, air_m3: float | None = 1e-3, synced: bool = True
) -> KeptOpening:
    at = TryMoment(boot_id=boot, monotonic_s=monotonic_s, utc_s=utc_s)
    return KeptOpening(tank="sump", at=at, synchronised=synced, air_m3=air_m3)


NOW = TryMoment(boot_id="c", monotonic_s=100.0, utc_s=1_000_000.0)


def ages(*openings: KeptOpening, synced: bool = True, within_s: float = DAY_S) -> list[float]:
    return [age_s for _, age_s in recent(openings, NOW, synchronised=synced, within_s=within_s)]


def test_within_a_boot_the_wall_clock_says_nothing() -> None:
    assert ages(kept("c", 40.0, 0.0), kept("c", 10.0, 2_000_000.0)) == [60.0, 90.0]


def test_across_boots_a_wall_clock_that_is_right_counts() -> None:
    assert ages(kept("b", 5000.0, 990_000.0)) == [10_000.0]


@pytest.mark.parametrize(("then", "now"), [(False, True), (True, False)])
def test_a_wall_clock_that_may_be_wrong_makes_nothing_older_than_the_boots_have_lasted(then: bool, now: bool) -> None:
    found = ages(
        kept("b", 5000.0, 0.0, synced=then),
        kept("b", 2000.0, 0.0, synced=then),
        kept("a", 700.0, 0.0, synced=then),
        synced=now,
    )
    assert found == [100.0, 3100.0, 5100.0]


def test_a_row_that_was_written_late_for_a_dead_boot_does_not_make_others_older() -> None:
    late = kept("a", 800.0, 0.0, air_m3=None, synced=False)
    found = ages(late, kept("b", 5000.0, 0.0, synced=False), kept("a", 700.0, 0.0, synced=False))
    assert found == [5100.0, 100.0, 5100.0]


def test_of_a_boot_that_left_nothing_but_an_unfinished_opening_only_this_boots_time_is_sure() -> None:
    assert ages(kept("b", 3.0, 0.0, air_m3=None, synced=False)) == [100.0]


def test_no_more_of_a_long_store_is_read_than_counts() -> None:
    def rows() -> itertools.chain[KeptOpening]:
        many = (kept("c", 90.0 - n, 0.0) for n in range(5))
        return itertools.chain(many, (pytest.fail("read on") for _ in range(1)))

    found = recent(rows(), NOW, synchronised=True, within_s=12.5)
    assert [age_s for _, age_s in found] == [10.0, 11.0, 12.0]


@dataclass
class Life:
    """A stretch between two starts."""

    lasts_s: float
    reboot: bool
    step_s: float
    """How far the wall clock is off in this life; 0: it is synchronised and right."""
    asks_s: list[float]
    dies_open: bool


LIVES = st.lists(
    st.builds(
        Life,
        lasts_s=st.floats(10.0, 3 * HOUR_S),
        reboot=st.booleans(),
        step_s=st.one_of(st.just(0.0), st.floats(-30 * DAY_S, 30 * DAY_S)),
        asks_s=st.lists(st.floats(0.0, 1.0), max_size=8),
        dies_open=st.booleans(),
    ),
    min_size=1,
    max_size=25,
)
LIMITS = Limits(purges_per_hour=3, air_per_day_m3=10e-3, rest_s=20.0)
MOST_M3, OPEN_S = 1e-3, 15.0


@given(LIVES)
def test_whatever_dies_and_however_clocks_lie_no_hour_and_no_day_gets_more(lives: list[Life]) -> None:
    """Openings in real time, against what each life believes of the lives before it from rows and clocks alone."""
    store: list[KeptOpening] = []  # the oldest first
    real: list[tuple[float, float]] = []
    start_s, boot, booted_s = 1e6, 0, 1e6 - 30.0
    for number, life in enumerate(lives):
        if life.reboot and number:
            boot, booted_s = boot + 1, start_s - 5.0

        def moment(real_s: float, life: Life = life, boot: int = boot, booted_s: float = booted_s) -> TryMoment:
            return TryMoment(boot_id=str(boot), monotonic_s=real_s - booted_s, utc_s=real_s + life.step_s)

        synced = life.step_s == 0.0
        now = moment(start_s)
        found = recent(store[::-1], now, synchronised=synced, within_s=LIMITS.horizon_s)
        openings = [
            Opening(at_s=now.monotonic_s - age_s, air_m3=MOST_M3 if one.air_m3 is None else one.air_m3)
            for one, age_s in found
        ]
        last_s = start_s
        asks_s = sorted(start_s + share * life.lasts_s for share in life.asks_s)
        for ask, at_s in enumerate(asks_s):
            asked_s = max(at_s, last_s)
            if permission(openings, LIMITS, asked_s - booted_s, MOST_M3).from_s > asked_s - booted_s:
                continue
            unknown = life.dies_open and ask == len(asks_s) - 1
            last_s = asked_s if unknown else asked_s + OPEN_S
            real.append((asked_s, MOST_M3 if unknown else 0.4e-3))
            store.append(
                KeptOpening(
                    tank="sump", at=moment(last_s), synchronised=synced, air_m3=None if unknown else real[-1][1]
                )
            )
            openings.append(Opening(at_s=last_s - booted_s, air_m3=real[-1][1]))
        start_s = max(start_s + life.lasts_s, last_s) + 10.0
    for at_s, _ in real:
        assert sum(at_s <= other_s < at_s + HOUR_S for other_s, _ in real) <= 3
        assert sum(air for other_s, air in real if at_s <= other_s < at_s + DAY_S) <= 10e-3 + 1e-12
