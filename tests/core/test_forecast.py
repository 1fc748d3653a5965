"""Dates with their uncertainty: against a published table, against known lines, and against chance."""

from __future__ import annotations

import random

import pytest

from lungfish.core.forecast import Point, forecast_line, forecast_restriction, student_quantile

DAY_S = 86400.0

TABLE = {
    1: 12.706,
    2: 4.303,
    3: 3.182,
    4: 2.776,
    5: 2.571,
    8: 2.306,
    10: 2.228,
    18: 2.101,
    28: 2.048,
    58: 2.002,
    120: 1.980,
}
"""Two-sided 95 % quantiles of Student's t (NIST/SEMATECH e-Handbook 1.3.6.7.2, from memory)."""


@pytest.mark.parametrize(("dof", "quantile"), TABLE.items())
def test_the_quantiles_are_those_of_the_table(dof: int, quantile: float) -> None:
    assert student_quantile(dof) == pytest.approx(quantile, rel=0.003)


def line(slope_a_day: float, days: int, sd: float, seed: int) -> list[Point]:
    rng = random.Random(seed)
    return [Point(day * DAY_S, slope_a_day * day + rng.gauss(0.0, sd), sd) for day in range(days)]


def test_a_line_without_noise_gives_its_date() -> None:
    points = [Point(day * DAY_S, 5.0 + 0.5 * day, 1e-6) for day in range(6)]
    forecast = forecast_line(points, 30.0)
    assert forecast is not None
    assert forecast.early_s / DAY_S == pytest.approx(50.0, abs=0.01)
    assert forecast.best_s / DAY_S == pytest.approx(50.0, abs=0.01)
    assert forecast.late_s / DAY_S == pytest.approx(50.0, abs=0.01)


def test_a_hole_that_closes_steadily_gives_its_date() -> None:
    # a drop of 2 Pa / share^2, the share falling by 1 % a day: 800 Pa are reached at a share of 1/20, on day 95
    points = [Point(day * DAY_S, 40.0 + 2.0 / (1.0 - 0.01 * day) ** 2, 0.01) for day in range(60, 70)]
    forecast = forecast_restriction(points, 40.0, 840.0)
    assert forecast is not None
    assert forecast.early_s / DAY_S < 95.0 < forecast.late_s / DAY_S
    assert forecast.best_s / DAY_S == pytest.approx(95.0, abs=0.1)
    straight = forecast_line(points, 840.0)
    assert straight is not None
    assert straight.early_s / DAY_S > 300.0, "a straight line would be far too late"


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    held = 0
    for seed in range(600):
        forecast = forecast_line(line(0.5, 14, 1.0, seed), 30.0)
        assert forecast is not None
        assert forecast.early_s < forecast.best_s < forecast.late_s
        held += forecast.early_s < 60.0 * DAY_S < forecast.late_s
    # 95 % of 600, and three standard deviations; a scatter below what the points state is not believed
    assert 0.93 <= held / 600 <= 1.0


def test_what_goes_nowhere_has_no_date() -> None:
    dated = sum(forecast_line(line(0.0, 14, 1.0, seed), 30.0) is not None for seed in range(600))
    assert dated / 600 < 0.05


def test_what_goes_away_from_its_limit_has_no_date() -> None:
    assert forecast_line(line(-0.5, 14, 0.1, 1), 30.0) is None


def test_too_little_gives_no_date() -> None:
    assert forecast_line(line(0.5, 3, 0.1, 1), 30.0) is None
    assert forecast_line([Point(0.0, 1.0, 0.1)] * 5, 30.0) is None
    assert forecast_restriction(line(0.5, 14, 1.0, 1), 40.0, 30.0) is None
