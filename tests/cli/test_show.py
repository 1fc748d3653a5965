"""A reading as people and programs get it: what is not known is never a number."""

from __future__ import annotations

import json
import math
from dataclasses import replace

from lungfish.cli.export import COLUMNS
from lungfish.cli.show import as_json, reading_lines
from lungfish.core.advice_table import ADVICE
from lungfish.core.codes import Diagnosis
from lungfish.ports import ClockState, ReadingRecord, Stamp

GOOD = ReadingRecord(
    tank="wet-well",
    at=Stamp(boot_id="b", monotonic_s=12.5, utc_s=1.7e9, clock=ClockState.SYNCHRONISED),
    level_m=1.23456,
    level_u_m=0.00712,
    head_pa=11_110.4,
    volume_m3=5.585,
    quality="good",
    diagnosis="ok",
    purge_s=4.5,
    air_sl=0.1125,
    evidence={
        "sentences": ["a sentence " * 30],
        "features": {"trapped_pa": 12.0, "fill_slope_pa_s": 1700.0, "least_air_pa_m3": 27.0, "flow_seen": True},
        "budget": {
            "unit": "m",
            "k": 2.0,
            "combined": 0.00356,
            "expanded": 0.00712,
            "contributions": [
                {"name": "tip height", "u": 0.0012, "unit": "m", "sensitivity": 1.0, "effect": 0.0012},
            ],
        },
    },
    trace=(),
)
BAD = replace(
    GOOD,
    at=replace(GOOD.at, clock=ClockState.UNSYNCHRONISED),
    level_m=None,
    level_u_m=None,
    head_pa=None,
    volume_m3=None,
    quality="bad",
    diagnosis="link_lost",
    purge_s=math.nan,
    air_sl=math.nan,
    evidence={"sentences": ["no answer"]},
)


def test_for_people_a_good_reading_has_its_uncertainty_with_k_and_fits_a_terminal() -> None:
    lines = list(reading_lines(GOOD))
    assert "  level        1.2346 m ± 7.1 mm (k = 2) above the tank floor" in lines
    assert "  purge        valve open 4.50 s, 0.113 SL of air (20 degC, 1 bar)" in lines
    assert any(line.startswith("  tip height") and line.endswith("1.200") for line in lines)
    assert any(line.split() == ["fill", "slope", "1700", "Pa/s"] for line in lines)
    assert any(line.split() == ["least", "air", "27", "Pa", "m3"] for line in lines)
    assert max(map(len, lines)) <= 100
    assert "synchronised" not in lines[0]


def test_for_people_a_bad_reading_shows_no_number_where_nothing_is_known() -> None:
    text = "\n".join(reading_lines(BAD))
    for name in ("level", "head", "volume"):
        assert f"  {name:<13}not known" in text
    assert "the air used, are not known" in text
    assert "wall clock unsynchronised" in text
    assert "nan" not in text
    assert "None" not in text


def test_for_people_what_is_wrong_comes_with_its_status_signal_and_the_first_thing_to_do() -> None:
    lines = list(reading_lines(replace(BAD, diagnosis="tube_plugged")))
    assert "  NE 107       F failure (tube_plugged)" in lines
    first = next(line for line in lines if line.startswith("  do first"))
    assert first.removeprefix("  do first").strip() in ADVICE[Diagnosis.TUBE_PLUGGED].remedies[0]
    assert any(line.startswith("  caution") and "hold its pressure" in line for line in lines)
    assert max(map(len, lines)) <= 100
    assert not any(line.startswith(("  NE 107", "  do first")) for line in reading_lines(GOOD))


def test_for_programs_it_has_the_columns_of_export_and_null_for_what_is_not_known() -> None:
    good = json.loads(json.dumps(as_json(GOOD), allow_nan=False))
    assert list(good)[: len(COLUMNS)] == list(COLUMNS)
    assert (good["time"], good["k"], good["level_u_m"]) == ("2023-11-14T22:13:20.000Z", 2.0, 0.00712)
    bad = json.loads(json.dumps(as_json(BAD), allow_nan=False))
    unknown = ("level_m", "level_u_m", "head_pa", "volume_m3", "purge_s", "air_sl")
    assert {bad[name] for name in unknown} == {None}
