"""An inflow from a file: units by the header, and one clear message for whatever is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from lungfish.app.inflow_file import load_inflow
from lungfish.errors import ConfigError


def _file(folder: Path, text: str) -> Path:
    file = folder / "inflow.csv"
    file.write_text(text, encoding="utf-8")
    return file


@pytest.mark.parametrize(
    ("header", "rows", "points"),
    [
        ("time s,inflow m3/s", ("0,0.001", "60,0.002"), [(0.0, 1e-3), (60.0, 2e-3)]),
        ("time (h),inflow (L/s)", ("1,1", "2.5,2"), [(0.0, 1e-3), (5400.0, 2e-3)]),
        ("time_min,inflow_l_min", ("0,60", "1,120"), [(0.0, 1e-3), (60.0, 2e-3)]),
        ("Time day,note,Inflow m³/h", ("0,dry,3.6", "0.5,rain,7.2"), [(0.0, 1e-3), (43200.0, 2e-3)]),
        ("time,inflow L/s", ("2026-03-05T06:00,1", "2026-03-05T07:00Z,2"), [(0.0, 1e-3), (3600.0, 2e-3)]),
        ("time s,inflow L/s", ("0,1", "", "5,2", ""), [(0.0, 1e-3), (5.0, 2e-3)]),
    ],
)
def test_units_come_from_the_header(
    tmp_path: Path, header: str, rows: tuple[str, ...], points: list[tuple[float, float]]
) -> None:
    found = load_inflow(_file(tmp_path, "\n".join((header, *rows))))
    assert [pytest.approx(point) for point in points] == found


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "no column is called `time`"),
        ("time s,flow L/s\n0,1\n1,1\n", "no column is called `inflow`"),
        ("time s,time h,inflow L/s\n", "more than one column is called `time`"),
        ("time weeks,inflow L/s\n0,1\n", "`weeks` is no unit known here; write s, min, h or day"),
        ("time s,inflow\n0,1\n", "has no unit known here; write m3/s"),
        ("time s,inflow cfs\n0,1\n", "has no unit known here"),
        ("time s,inflow L/s\n0,1\n", "fewer than two points"),
        ("time s,inflow L/s\n0,1\n1\n", ":3: a column is missing"),
        ("time s,inflow L/s\n0,1\n1,many\n", ":3: inflow: `many` is no inflow"),
        ("time s,inflow L/s\n0,1\n1,-2\n", ":3: inflow: `-2` is no inflow"),
        ("time s,inflow L/s\n0,1\n1,nan\n", ":3: inflow"),
        ("time s,inflow L/s\n5,1\n\n5,1\n", ":4: time: this time is not after the one before"),
        ("time,inflow L/s\nnoon,1\n", ":2: time: `noon` is no time; write an ISO 8601 time"),
        ("time,inflow L/s\n2026-03-05,1\n2026-03-04,1\n", ":3: time: this time is not after the one before"),
    ],
)
def test_what_is_wrong_is_told_with_its_line_and_what_would_be_right(tmp_path: Path, text: str, told: str) -> None:
    file = _file(tmp_path, text)
    with pytest.raises(ConfigError) as caught:
        load_inflow(file)
    assert told in str(caught.value)
    assert str(caught.value).startswith(str(file))
    assert len(caught.value.problems) == 1


def test_a_file_that_is_none_is_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="No such file"):
        load_inflow(tmp_path / "none.csv")
    with pytest.raises(ConfigError, match="Is a directory"):
        load_inflow(tmp_path)
    binary = tmp_path / "binary.csv"
    binary.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(ConfigError, match="no CSV text in UTF-8"):
        load_inflow(binary)
