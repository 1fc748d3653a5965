"""The control chart against published run lengths, and against itself on drawn values."""

from __future__ import annotations

import math
import random
from statistics import fmean

import pytest

from lungfish.core.chart import REFERENCE, Cusum, average_run_length, decision_interval, two_sided_run_length

WITHIN = 0.05

LUCAS_CROSIER = {
    0.0: 168.0,
    0.25: 74.2,
    0.5: 26.6,
    0.75: 13.3,
    1.0: 8.38,
    1.5: 4.75,
    2.0: 3.34,
    2.5: 2.62,
    3.0: 2.19,
    4.0: 1.71,
    5.0: 1.31,
}
"""Two-sided, k = 0.5, h = 4. Lucas and Crosier, Technometrics 24 (1982) 199-205, Table 1."""

NIST = {(4.0, 0.0): 336.0, (4.0, 1.0): 8.38, (5.0, 0.0): 930.0, (5.0, 1.0): 10.4}
"""One-sided, k = 0.5; h and shift. NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (from memory)."""

VANCE = {-0.25: 2071.51, -0.125: 400.28, 0.0: 124.66, 0.125: 59.30, 0.25: 36.71, 0.5: 20.37, 0.75: 14.06, 1.0: 10.75}
"""One-sided, k = 0, h = 10. Vance, J. Quality Technology 18 (1986) 189-193, Table 1, with Goel and Wu (1971)."""


@pytest.mark.parametrize(("shift", "published"), LUCAS_CROSIER.items())
def test_two_sided_run_lengths_are_the_published_ones(shift: float, published: float) -> None:
    assert two_sided_run_length(0.5, 4.0, shift) == pytest.approx(published, rel=0.004)


@pytest.mark.parametrize(("chart", "published"), NIST.items())
def test_one_sided_run_lengths_are_the_published_ones(chart: tuple[float, float], published: float) -> None:
    assert average_run_length(0.5, *chart) == pytest.approx(published, rel=0.004)


@pytest.mark.parametrize(("shift", "published"), VANCE.items())
def test_run_lengths_without_a_reference_value_are_the_published_ones(shift: float, published: float) -> None:
    assert average_run_length(0.0, 10.0, shift) == pytest.approx(published, rel=0.001)


def test_run_lengths_of_a_third_table() -> None:
    # k = 0.5, h = 3: Waldmann, Technometrics 28 (1986) 61-67, Tables 3, 1 and 5
    assert average_run_length(0.5, 3.0, -0.5) == pytest.approx(1963.0, rel=0.001)
    assert average_run_length(0.5, 3.0, 0.0) == pytest.approx(117.4, rel=0.004)
    assert average_run_length(0.5, 3.0, 0.5) == pytest.approx(17.35, rel=0.001)
    # Brook and Evans, Biometrika 59 (1972) 539-548, section 4.3
    assert average_run_length(0.5, 3.0, 0.0) == pytest.approx(117.59, rel=0.001)
    assert average_run_length(0.5, 3.0, 1.5) == pytest.approx(3.75, rel=0.001)


def test_a_head_start_calls_sooner_as_published() -> None:
    # two-sided, k = 0.5, h = 4, started at h/2 on both sides: Lucas and Crosier (1982), Table 1, 5.29 for a shift of 1,
    # which the side that watches the other way hardly touches
    assert average_run_length(0.5, 4.0, 1.0, start=2.0) == pytest.approx(5.29, rel=0.01)


def runs(seed: int, count: int, h: float, shift: float, start: float = 0.0) -> float:
    """Mean run length of the chart that is in use, on drawn normal values."""
    rng = random.Random(seed)
    lengths = []
    for _ in range(count):
        chart, length = Cusum(value=start), 0
        while chart.value <= h:
            length += 1
            chart = chart.after(rng.gauss(shift, 1.0), float(length))
        lengths.append(length)
    return fmean(lengths)


@pytest.mark.parametrize(("h", "shift", "count"), [(4.0, 0.0, 3000), (4.0, 1.0, 8000), (5.0, 1.0, 8000)])
def test_the_chart_itself_runs_as_long_as_published(h: float, shift: float, count: int) -> None:
    assert runs(1, count, h, shift) == pytest.approx(NIST[h, shift], rel=WITHIN)


@pytest.mark.parametrize("shift", [0.5, 0.75, 1.5, 2.0, 3.0])
def test_both_sides_together_run_as_long_as_published(shift: float) -> None:
    rng, lengths = random.Random(2), []
    for _ in range(4000):
        up, down, length = Cusum(), Cusum(), 0
        while max(up.value, down.value) <= 4.0:
            length += 1
            z = rng.gauss(shift, 1.0)
            up, down = up.after(z, 0.0), down.after(-z, 0.0)
        lengths.append(length)
    assert fmean(lengths) == pytest.approx(LUCAS_CROSIER[shift], rel=WITHIN)


@pytest.mark.parametrize("run_length", [10.0, 370.0, 4000.0, 600e3])
def test_a_decision_interval_gives_the_run_length_asked_for(run_length: float) -> None:
    assert average_run_length(REFERENCE, decision_interval(run_length)) == pytest.approx(run_length, rel=1e-4)


@pytest.mark.parametrize("h", [5.0, 7.0, 10.0, 13.0])
def test_long_runs_agree_with_an_approximation_of_another_kind(h: float) -> None:
    # Siegmund 1985: b = h + 1.166, good to a few per cent for long runs
    b = h + 1.166
    assert average_run_length(0.5, h) == pytest.approx((math.exp(b) - b - 1.0) / 0.5, rel=WITHIN)


def test_a_climb_knows_when_it_began() -> None:
    chart = Cusum()
    for t_s, z in enumerate([0.1, 0.9, 0.2, 2.0, 2.0]):
        chart = chart.after(z, float(t_s))
    assert (chart.since_s, chart.steps) == (1.0, 4)
    assert chart.value == pytest.approx(0.4 - 0.3 + 1.5 + 1.5)
    assert chart.after(-9.0, 9.0) == Cusum()


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="decision interval above zero"):
        average_run_length(0.5, 0.0)
    with pytest.raises(ValueError, match="run length above 1"):
        decision_interval(1.0)
