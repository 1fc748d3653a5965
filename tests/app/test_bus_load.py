"""What a site asks of its links is known before anything is wired, and a slow link starves nobody."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import pytest

from lungfish.app.bus_load import LinkLoad, link_loads, predicted_transactions_s
from lungfish.app.rehearsal import Plot, Rehearsal, begin_utc_s, rehearse
from lungfish.app.rehearsal_plot import filling_of, plot_of
from tests.app.virtual_site import site_of

HOUR_S = 3600.0
AT_9600_BAUD_S = 0.025
"""Two registers read: 17 characters of 10 bits and two silences of 3.5 (MODBUS over Serial Line V1.02, 2.5.1.1)."""


@pytest.fixture(autouse=True)
def _quiet() -> Iterator[None]:
    logging.disable(logging.INFO)
    yield
    logging.disable(logging.NOTSET)


def plot(tanks: int, hours: float, every_min: float, kind: str, *, watched: bool, transaction_s: float) -> Plot:
    site = site_of(tanks, every=f"{every_min} min", watched=watched)
    fillings = {
        name: filling_of(tank, kind, hours * HOUR_S, 1 + number)
        for number, (name, tank) in enumerate(site.tanks.items())
    }
    return plot_of(site, fillings, hours * HOUR_S, 1, transaction_s, None)


def predicted_over_measured(plotted: Plot, rehearsal: Rehearsal) -> float:
    levels = {name: track.another() for name, track in plotted.tracks.items()}
    predicted = predicted_transactions_s(plotted.site, plotted.duration_s, begin_utc_s(plotted.site), levels)
    return predicted["panel"] / rehearsal.transactions_s["panel"]


def longest_gap_s(plotted: Plot, rehearsal: Rehearsal) -> float:
    return max(
        later - earlier
        for tank in rehearsal.tanks.values()
        for earlier, later in pairwise((0.0, *tank.purges, plotted.duration_s))
    )


@pytest.mark.parametrize(
    ("hours", "every_min", "kind", "watched"),
    [
        (12.0, 10.0, "daily", True),
        (6.0, 10.0, "storm", True),
        (12.0, 60.0, "constant", True),
        (6.0, 10.0, "daily", False),
    ],
)
def test_the_load_is_predicted_within_5_percent(hours: float, every_min: float, kind: str, watched: bool) -> None:
    plotted = plot(1, hours, every_min, kind, watched=watched, transaction_s=0.005)
    assert predicted_over_measured(plotted, rehearse(plotted)) == pytest.approx(1.0, abs=0.05)


def _nobody_starves(tanks: int, hours: float, every_min: float) -> None:
    plotted = plot(tanks, hours, every_min, "daily", watched=True, transaction_s=AT_9600_BAUD_S)
    rehearsal = rehearse(plotted)
    gap_s = longest_gap_s(plotted, rehearsal)
    ratio = predicted_over_measured(plotted, rehearsal)
    readings = sum(tank.readings for tank in rehearsal.tanks.values())
    ok = sum(tank.diagnoses.get("ok", 0) for tank in rehearsal.tanks.values())
    print(
        f"\n{tanks} tanks, one compressor, one bus at 9600 baud, {hours:g} h, every {every_min:g} min: "
        f"{ok} of {readings} ok, longest from reading to reading {gap_s / 60.0:.1f} min, bus taken "
        f"{100 * rehearsal.bus_share['panel']:.0f} % of the time, predicted {100 * (ratio - 1.0):+.1f} % off"
    )
    assert rehearsal.all_shut
    assert ok == readings >= tanks * int(hours * 60.0 / every_min)
    assert gap_s < 60.0 * every_min * 1.25  # in the first round, when all are due at once and every tube is new
    assert ratio == pytest.approx(1.0, abs=0.05)


def test_twenty_tanks_on_one_bus_at_9600_baud_all_have_their_turn() -> None:
    _nobody_starves(20, 1.5, 10.0)


@pytest.mark.campaign
@pytest.mark.timeout(3600)
def test_a_hundred_tanks_on_one_bus_at_9600_baud_all_have_their_turn() -> None:
    _nobody_starves(100, 24.0, 30.0)


def test_a_site_that_its_link_can_not_serve_is_known_before() -> None:
    """By hand: 100 watches every 5 s ask 20 a second, half of what 9600 baud carries; cycles do the rest."""
    (load,) = link_loads(site_of(100, every="10 min"), 0.0).values()
    assert load.transactions_s > 30.0
    assert not load.fits(AT_9600_BAUD_S)
    (load,) = link_loads(site_of(100, every="30 min"), 0.0).values()
    assert 20.0 < load.transactions_s < 30.0
    assert load.fits(AT_9600_BAUD_S)
    assert AT_9600_BAUD_S <= load.longest_transaction_s < 0.04


def test_a_schedule_asks_for_more_than_the_timer() -> None:
    site = site_of(1, every="1 h", watched=False)
    (tank,) = site.tanks.values()
    plain = link_loads(site, 0.0)["panel"]
    staggered = replace(site, tanks={"t0": replace(tank, every_s=600.0)})
    assert link_loads(staggered, 0.0)["panel"].transactions_s == pytest.approx(6.0 * plain.transactions_s)


def test_nothing_fits_a_link_that_would_need_more_than_all_the_time() -> None:
    assert LinkLoad(transactions_s=1.0, most_transactions_s=2.0, measuring=50.0).longest_transaction_s == 0.0
