"""Certified data sets of the NIST Statistical Reference Datasets, as kept beside these tests."""

from __future__ import annotations

from pathlib import Path

__all__ = ["columns_of"]

_DATA = Path(__file__).parent / "data"


def columns_of(name: str) -> list[list[float]]:
    """Columns of a data set, in the file's order."""
    rows = [line.split() for line in (_DATA / f"{name}.txt").read_text("utf-8").splitlines() if line[:1] != "#"]
    return [[float(row[k]) for row in rows] for k in range(len(rows[0]))]
