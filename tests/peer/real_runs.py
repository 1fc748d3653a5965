"""The real commands as processes of their own, and what they read held against the truth."""

from __future__ import annotations

import asyncio
import csv
import io
import signal
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Score", "lungfish", "run_for", "score", "tolerance_m"]


def tolerance_m(level_m: float) -> float:
    """USGS stage standard: 3 mm or 0.2 %, whichever is greater (OSW Technical Memorandum 96.05)."""
    return max(0.003, 0.002 * level_m)


async def lungfish(*words: str) -> tuple[int, str, str]:
    """Run a command to its end: exit status, output, errors."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "lungfish", *words, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
    )
    out, err = await process.communicate()
    return process.returncode or 0, out.decode(), err.decode()


async def run_for(path: Path, seconds: float) -> list[dict[str, str]]:
    """`run` a site for a while, stop it with SIGTERM, export."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "lungfish", "run", str(path), stderr=asyncio.subprocess.PIPE
    )
    communicating = asyncio.create_task(process.communicate())
    await asyncio.sleep(seconds)
    process.send_signal(signal.SIGTERM)
    _, log = await communicating
    assert process.returncode == 0, log.decode()
    status, text, err = await lungfish("export", str(path))
    assert status == 0, err
    return list(csv.DictReader(io.StringIO(text)))


@dataclass(frozen=True)
class Score:
    """How the levels of some readings stand to the truth."""

    rows: int
    levels: int
    within: int
    """Levels within 3 mm or 0.2 %."""
    covered: int
    """Levels within their own expanded uncertainty."""
    worst_m: float
    """Greatest error, m."""

    def __str__(self) -> str:
        return (
            f"{self.levels} levels of {self.rows} rows; within 3 mm or 0.2 % {self.within}, "
            f"within their own uncertainty {self.covered}, worst {1e3 * self.worst_m:.1f} mm"
        )


def score(rows: Iterable[Mapping[str, str]], truth_m: Callable[[Mapping[str, str]], float]) -> Score:
    """Hold each exported level against the truth.

    Args:
        rows: exported readings.
        truth_m: the true level of a row's tank at the row's moment, m.
    """
    rows = list(rows)
    within = covered = 0
    worst_m = 0.0
    levels = [row for row in rows if row["level_m"]]
    for row in levels:
        truth = truth_m(row)
        error_m = abs(float(row["level_m"]) - truth)
        within += error_m <= tolerance_m(truth)
        covered += error_m <= float(row["level_u_m"])
        worst_m = max(worst_m, error_m)
    return Score(rows=len(rows), levels=len(levels), within=within, covered=covered, worst_m=worst_m)
