"""A trace in characters: what is drawn is what was sampled, marks stand where things happened, nothing is made up."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lungfish.core.reading import Phase
from lungfish.ports import TracePoint
from lungfish.study.picture import Frame, Mark, draw, nice_step, sparkline
from lungfish.study.seen import Limit, Seen, number_of, pictures, seen_of
from lungfish.study.told import told_of

FRAME = Frame(from_s=0.0, to_s=10.0, low_pa=0.0, high_pa=1000.0, columns=50, rows=10)
LEFT = 5
"""Columns before the picture: the widest of `200` to `1000`, and the axis."""
BRAILLE_BITS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))


def ramp(slope_pa_s: float = 100.0, seconds: float = 10.0) -> list[TracePoint]:
    times = [0.05 * k for k in range(int(seconds / 0.05) + 1)]
    return [TracePoint(t, slope_pa_s * t, Phase.FILL) for t in times]


def cells(lines: Sequence[str], frame: Frame = FRAME) -> list[str]:
    return [line[LEFT:] for line in lines[1 : 1 + frame.rows]]


def dots(lines: Sequence[str]) -> list[tuple[float, float]]:
    """Time and pressure of every dot's middle, read back from the characters."""
    found = []
    for row, line in enumerate(cells(lines)):
        for column, sign in enumerate(line):
            bits = ord(sign) - 0x2800 if 0x2800 <= ord(sign) <= 0x28FF else 0
            for y, pair in enumerate(BRAILLE_BITS):
                for x, bit in enumerate(pair):
                    if bits & bit:
                        found.append(((2 * column + x + 0.5) / 10.0, 1000.0 - (4 * row + y + 0.5) / 40.0 * 1000.0))
    return found


def test_every_dot_lies_on_the_trace_and_the_whole_trace_has_dots() -> None:
    seen = dots(draw(ramp(), [], FRAME))
    assert all(abs(gauge_pa - 100.0 * t_s) <= 25.0 + 10.0 for t_s, gauge_pa in seen)  # a dot high, a dot wide
    assert {int(10.0 * t_s) for t_s, _ in seen} == set(range(100))


def test_without_unicode_the_same_cells_are_drawn_in_ascii() -> None:
    plain = Frame(from_s=0.0, to_s=10.0, low_pa=0.0, high_pa=1000.0, columns=50, rows=10, unicode=False)
    lines = draw(ramp(), [Mark(letter="A", t_s=3.0)], plain)
    assert all(line.isascii() for line in lines)
    for row, line in enumerate(cells(lines)):
        for column, sign in enumerate(line):
            near = abs(1000.0 - 100.0 * (row + 0.5) - 100.0 * (column + 0.5) / 5.0) < 50.0
            assert not near or sign in "'-.|", (row, column)
            assert near or sign not in "'-." or abs(row + column / 5.0 - 9.4) < 1.5, (row, column)


def test_a_time_without_samples_is_left_blank() -> None:
    points = [p for p in ramp() if not 4.0 < p.t_s < 7.0]
    drawn = [t_s for t_s, _ in dots(draw(points, [], FRAME))]
    assert [t_s for t_s in drawn if 4.2 < t_s < 6.9] == []
    assert any(t_s < 4.0 for t_s in drawn)
    assert any(t_s > 7.0 for t_s in drawn)


def test_what_lies_outside_or_is_no_number_is_not_drawn() -> None:
    points = [
        TracePoint(1.0, 5000.0, Phase.FILL),
        TracePoint(1.1, math.nan, Phase.FILL),
        TracePoint(9.0, -700.0, Phase.FILL),
    ]
    assert dots(draw(points, [], FRAME)) == []


def test_letters_stand_at_their_moment_and_their_pressure() -> None:
    marks = [
        Mark(letter="A", t_s=2.0),
        Mark(letter="B", t_s=2.05),
        Mark(letter="C", t_s=6.1, gauge_pa=250.0),
        Mark(letter="Z", t_s=12.0),
    ]
    lines = draw(ramp(), marks, FRAME)
    assert lines[0][LEFT + 10] == "A"
    assert lines[0][LEFT + 11] == "B"  # its place is taken, so it stands beside it
    assert "Z" not in "".join(lines)
    assert cells(lines)[7][30] == "C"
    assert all(cells(lines)[row][10] in "┊⠁⡠⠊" or ord(cells(lines)[row][10]) > 0x2800 for row in range(10))
    assert cells(lines)[0][10] == "┊"


def test_axes_tell_the_pressures_and_times_that_they_stand_at() -> None:
    lines = draw(ramp(), [], FRAME)
    for row, line in enumerate(lines[1:11]):
        label = line[: LEFT - 1].strip()
        if label:
            assert abs(float(label) - (1000.0 - 100.0 * (row + 0.5))) <= 51.0
    times = lines[12]
    for t_s in (2, 4, 6, 8):
        assert times[LEFT + 5 * t_s] == str(t_s)
    assert {len(line) for line in lines} == {LEFT + 50}


def test_phases_are_told_between_their_bounds() -> None:
    phases = [(Phase.LOOK, 2.0), (Phase.FILL, 6.0), (Phase.HOLD, 6.4), (Phase.SHUT_IN, 10.1)]
    points = [TracePoint(p.t_s, p.gauge_pa, next(phase for phase, end in phases if p.t_s < end)) for p in ramp()]
    line = draw(points, [], FRAME)[-1][LEFT:]
    assert [column for column, sign in enumerate(line) if sign == "│"] == [0, 10, 30, 32]
    assert line[1:10].strip() == "look"
    assert line[11:30].strip() == "fill"
    assert line[31] == "h"
    assert line[33:].strip() == "shut-in"


@given(st.floats(1e-3, 1e6), st.integers(1, 20))
def test_steps_are_one_two_or_five_and_never_too_many(span: float, most: int) -> None:
    step = nice_step(span, most)
    digit = step / 10.0 ** math.floor(math.log10(step * 1.0000001))
    assert round(digit, 6) in (1.0, 2.0, 5.0, 10.0)
    assert span / step <= most * (1.0 + 1e-6)
    assert span / step > most / 2.6


def test_a_row_of_values_has_a_blank_where_nothing_is_known_and_noise_stays_low() -> None:
    assert sparkline([0.0, None, 7.0, math.nan, 3.5]) == "▁ █ ▅"
    assert sparkline([0.0, 9.0], unicode=False) == "09"
    assert sparkline([None, None]) == ""
    assert set(sparkline([1.00, 1.01, 0.99], least_range=1.0)) <= set("▄▅")
    assert sparkline([5.0, 5.0]) == "▅▅"


FEATURES = {"fill_s": 3.0, "plateau_pa": 620.0, "shut_in_pa": 560.0, "flow_seen": True, "trapped_pa": math.inf}
EVIDENCE: dict[str, object] = {
    "features": FEATURES,
    "events": [["Start", 0.0], ["ValveSeen", 2.0, "open"], ["ValveSeen", 6.5, "shut"], ["ValveSeen", 9.0, "shut"]],
}


def purge() -> list[TracePoint]:
    def gauge_pa(t_s: float) -> float:
        return 20.0 if t_s < 2.0 else min(620.0, 20.0 + 200.0 * (t_s - 2.0)) if t_s < 6.5 else 560.0

    def phase(t_s: float) -> Phase:
        return Phase.LOOK if t_s < 2.0 else Phase.FILL if t_s < 5.5 else Phase.HOLD if t_s < 6.5 else Phase.SHUT_IN

    return [TracePoint(0.05 * k, gauge_pa(0.05 * k), phase(0.05 * k)) for k in range(201)]


def test_what_was_seen_is_taken_from_what_the_cycle_kept() -> None:
    seen = seen_of(purge(), EVIDENCE)
    assert (seen.opened_s, seen.knee_s, seen.shut_s) == (2.0, 5.0, 6.5)
    assert (seen.plateau_pa, seen.shut_in_pa, seen.broken_off_s) == (620.0, 560.0, None)
    assert [mark.letter for mark in seen.marks()] == ["A", "B", "C", "D", "E"]
    legend = "  ".join(seen.legend())
    assert "A valve opened, 2.00 s" in legend
    assert "B knee: the rise ends, 3.00 s after A" in legend
    assert "E shut-in gone back to closing, 560.0 Pa" in legend
    assert number_of(EVIDENCE, "flow_seen") is None
    assert number_of(EVIDENCE, "trapped_pa") is None


def test_without_the_valves_echo_the_phases_tell_when_it_moved() -> None:
    seen = seen_of(purge(), {"features": FEATURES})
    assert seen.opened_s == pytest.approx(2.0)
    assert seen.shut_s == pytest.approx(6.5)


def test_a_cycle_that_was_broken_off_is_marked_where_it_ended_and_nothing_else_is_claimed() -> None:
    points = purge()[:100]
    seen = seen_of(points, {"features": {}, "events": [["ValveSeen", 2.0, "open"]]})
    assert [mark.letter for mark in seen.marks()] == ["A", "X"]
    assert (seen.broken_off_s, seen.shut_in_pa, seen.knee_s) == (points[-1].t_s, None, None)
    limit = Limit(letter="L", gauge_pa=900.0, text="a limit")
    lines = pictures(points, seen, columns=100, rows=10, unicode=True, limits=[limit])
    assert any("L╌╌╌╌" in line for line in lines)  # the picture reaches to the limit that ended it


def test_no_knee_is_claimed_when_the_rise_went_on_to_the_end_or_there_was_none() -> None:
    late = seen_of(purge(), {**EVIDENCE, "features": {**FEATURES, "fill_s": 4.5}})
    assert late.knee_s is None
    assert "no knee seen" in late.legend()
    full = seen_of(purge(), {**EVIDENCE, "features": {**FEATURES, "fill_s": 0.0}})
    assert full.knee_s is None
    assert "no knee: no rise beyond friction" in full.legend()


def test_the_closing_is_drawn_apart_when_the_whole_hides_it() -> None:
    steep = [TracePoint(p.t_s, p.gauge_pa * (40.0 if p.t_s < 2.0 else 1.0) + 20_000.0, p.phase) for p in purge()]
    steep = [p if p.t_s >= 2.0 else TracePoint(p.t_s, 0.0, p.phase) for p in steep]
    features = {"fill_s": 3.0, "plateau_pa": 20_620.0, "shut_in_pa": 20_560.0}
    lines = pictures(steep, seen_of(steep, {**EVIDENCE, "features": features}), columns=100, rows=9, unicode=True)
    assert lines[0].startswith("the whole cycle")
    assert lines[0].endswith("its closing, enlarged")
    assert max(map(len, lines)) <= 100
    assert sum(line.count("D") for line in lines) == 2
    flat = purge()[100:]
    alone = pictures(flat, seen_of(flat, EVIDENCE), columns=100, rows=9, unicode=True)
    assert alone[0].lstrip().startswith("Pa")
    assert max(map(len, alone)) <= 100


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=8,
)
NAMES = st.sampled_from(["features", "events", "findings", "sentences", "fill_s", "plateau_pa", "shut_in_pa"])
POINTS = st.lists(
    st.builds(
        TracePoint,
        st.floats(0.0, 200.0),
        st.floats(-1e9, 1e9) | st.just(math.nan) | st.just(math.inf),
        st.sampled_from(list(Phase)),
    ),
    min_size=1,
    max_size=30,
)


@given(POINTS, st.dictionaries(NAMES, JSON | st.dictionaries(NAMES, JSON), max_size=5), st.booleans())
def test_whatever_stands_in_the_store_something_is_drawn(
    points: list[TracePoint], evidence: dict[str, object], unicode: bool
) -> None:
    points.sort(key=lambda point: point.t_s)
    seen = seen_of(points, evidence)
    assert isinstance(seen, Seen)
    lines = pictures(points, seen, columns=100, rows=10, unicode=unicode)
    assert len({len(line) for line in lines[1:]}) == 1
    assert all(told.code for told in told_of("ok", "good", evidence))
