"""The command line: help that a technician can follow, exit statuses that a script can hold on to, no traceback."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from lungfish import __version__
from lungfish.cli.main import COMMANDS, main


def test_the_help_names_every_command_and_opens_with_the_cautions(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(["--help"])
    assert end.value.code == 0
    text = capsys.readouterr().out
    for command in COMMANDS:
        assert re.search(rf"^ +{command}\s+\w", text, re.MULTILINE), command
    assert "never a safety function" in text
    assert "Shut the air off" in text


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_explains_itself_within_a_terminals_width(
    command: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "120")
    with pytest.raises(SystemExit) as end:
        main([command, "--help"])
    assert end.value.code == 0
    text = capsys.readouterr().out
    assert text.startswith(f"usage: lungfish {command}")
    assert max(len(line) for line in text.splitlines()) <= 120
    if command in ("run", "read", "shut", "demo"):
        assert re.search(rf"^Examples?\n  lungfish {command}", text, re.MULTILINE)
        assert re.search(r"^Exit status\n  0  ", text, re.MULTILINE)
    if command in ("run", "read"):
        assert re.search(r"^Caution\n  Opens ", text, re.MULTILINE)  # they let air into a tube


def test_the_version_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(["--version"])
    assert end.value.code == 0
    assert capsys.readouterr().out == f"lungfish {__version__}\n"


@pytest.mark.parametrize("words", [[], ["purge"], ["run"], ["read", "x.yaml"], ["run", "x.yaml", "--log", "xml"]])
def test_a_wrong_command_line_is_refused_with_its_usage(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(words)
    assert end.value.code == 2
    assert capsys.readouterr().err.startswith("usage: lungfish")


@pytest.mark.parametrize("words", [["run", "{}"], ["read", "{}", "t0"]])
def test_a_site_file_that_is_not_there_or_wrong_is_told_and_nothing_is_begun(
    tmp_path: Path, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "site.yaml"
    told = [word.format(file) for word in words]
    assert main(told) == 2
    assert str(file) in capsys.readouterr().err
    file.write_text("site: {name: X}\n")
    assert main(told) == 2
    text = capsys.readouterr().err
    assert f"{file}:" in text
    assert "Traceback" not in text
    assert [path.name for path in tmp_path.iterdir()] == ["site.yaml"]
