"""What `lungfish check` says of an air budget."""

from __future__ import annotations

from pathlib import Path

import pytest

from lungfish.cli.main import main
from tests.config.samples import GOOD


def told(text: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> list[str]:
    file = folder / "site.yaml"
    file.write_text(text)
    assert main(["check", str(file)]) == 0
    return [" ".join(line.split()) for line in capsys.readouterr().out.splitlines()]


def test_a_budget_is_told_with_its_numbers(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = GOOD.replace("  simultaneous: 1\n", "  simultaneous: 1\n  budget: {per_day: 200 L, rest: 10 s}\n")
    lines = told(f"{text}    budget: {{purges_per_hour: 6}}\n", tmp_path, capsys)
    at = lines.index("all tanks together, at most 200 SL within 24 h, over restarts too")
    assert lines[at + 1] == "10 s apart from the end of a purge to the next"
    at = lines.index("this tank, at most 6 an hour purges, over restarts too")
    assert lines[at + 1] == "2 s apart from the end of a purge to the next"


def test_where_there_is_none_nothing_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert not any("at most" in line and "restarts" in line for line in told(GOOD, tmp_path, capsys))
