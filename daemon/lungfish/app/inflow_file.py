"""Reads an inflow from a CSV file: a column of times, a column of flows, and their units in the header."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from lungfish.errors import ConfigError, Problem

__all__ = ["load_inflow"]

_HEADER = "write a header such as `time h,inflow L/s`"
_TIMES = {"s": 1.0, "min": 60.0, "h": 3600.0, "day": 86400.0}
_FLOWS = {"m3 s": 1.0, "l s": 1e-3, "l min": 1e-3 / 60.0, "m3 h": 1.0 / 3600.0}
_LARGEST_BYTES = 50_000_000
_LEAST_POINTS = 2


def load_inflow(file: str | Path) -> list[tuple[float, float]]:
    """Read it.

    The header names both units: `time s`, `time min`, `time h`, `time day`, or `time` alone for ISO 8601 times;
    `inflow m3/s`, `inflow m3/h`, `inflow L/s` or `inflow L/min`. Further columns are left alone.

    Args:
        file: the file.

    Returns:
        Points of time since the first, s, and inflow, m3/s.

    Raises:
        ConfigError: no such file, or anything in it that is not as said; the first such line is told.
    """
    name = str(file)
    try:
        if Path(file).stat().st_size > _LARGEST_BYTES:
            raise ConfigError(name, [Problem(None, "", "the file is larger than 50 MB", "give fewer points")])
        with Path(file).open(encoding="utf-8-sig", newline="") as lines:
            points = list(_points(name, csv.reader(lines)))
    except OSError as error:
        why = error.strerror or str(error)
        raise ConfigError(name, [Problem(None, "", why, "name a CSV file that can be read")]) from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise ConfigError(name, [Problem(None, "", "this is no CSV text in UTF-8", _HEADER)]) from error
    if len(points) < _LEAST_POINTS:
        raise ConfigError(name, [Problem(None, "", "there are fewer than two points", "give a time and a flow a line")])
    begin_s = points[0][0]
    return [(t_s - begin_s, flow_m3_s) for t_s, flow_m3_s in points]


def _points(name: str, rows: Iterator[list[str]]) -> Iterator[tuple[float, float]]:
    time_at, flow_at, time_unit, to_m3_s = _header(name, next(rows, []))
    before_s = -math.inf
    for line, row in enumerate(rows, start=2):
        if not any(cell.strip() for cell in row):
            continue
        try:
            at, flow = row[time_at].strip(), row[flow_at].strip()
        except IndexError:
            raise ConfigError(name, [Problem(line, "", "a column is missing", "give a time and a flow")]) from None
        t_s, flow_m3_s = _time_s(name, line, at, time_unit), to_m3_s * _number(name, line, "inflow", flow)
        if t_s <= before_s:
            raise ConfigError(name, [Problem(line, "time", "this time is not after the one before", "sort by time")])
        before_s = t_s
        yield t_s, flow_m3_s


def _header(name: str, row: list[str]) -> tuple[int, int, str | None, float]:
    """Places of the two columns, unit of the times (None: ISO 8601), factor of the flows."""
    told = [" ".join(re.split(r"[\s_()\[\]/]+", cell.replace("³", "3 ").strip().lower())).strip() for cell in row]
    found = {kind: [n for n, cell in enumerate(told) if cell.split(" ")[0] == kind] for kind in ("time", "inflow")}
    for kind, places in found.items():
        if len(places) != 1:
            many = "more than one column" if places else "no column"
            raise ConfigError(name, [Problem(1, "", f"{many} is called `{kind}`", _HEADER)])
    time_at, flow_at = found["time"][0], found["inflow"][0]
    unit = told[time_at].removeprefix("time").strip()
    if unit and unit not in _TIMES:
        raise ConfigError(name, [Problem(1, "time", f"`{unit}` is no unit known here", "write s, min, h or day")])
    flow = told[flow_at].removeprefix("inflow").strip()
    if flow not in _FLOWS:
        wrong = f"`{row[flow_at].strip()}` has no unit known here"
        raise ConfigError(name, [Problem(1, "inflow", wrong, "write m3/s, m3/h, L/s or L/min")])
    return time_at, flow_at, unit or None, _FLOWS[flow]


def _time_s(name: str, line: int, text: str, unit: str | None) -> float:
    if unit is not None:
        return _TIMES[unit] * _number(name, line, "time", text)
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        right = "write an ISO 8601 time such as 2026-03-05T06:00, or a unit in the header, such as `time h`"
        raise ConfigError(name, [Problem(line, "time", f"`{text[:40]}` is no time", right)]) from None
    return (at if at.tzinfo is not None else at.replace(tzinfo=UTC)).timestamp()


def _number(name: str, line: int, key: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or (key == "inflow" and value < 0.0):
        raise ConfigError(name, [Problem(line, key, f"`{text[:40]}` is no {key}", "write a number, 0 or more")])
    return value
