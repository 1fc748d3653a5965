"""What a stranger is told: nothing is left out of the README, and what it shows is true."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest
from pydantic import BaseModel

from lungfish.cli.main import COMMANDS, main
from lungfish.config import load_site, load_site_text
from lungfish.config.form import SiteFileForm
from lungfish.core.codes import Diagnosis, Quality
from tests.repo.house import ROOT, blocks

PACKAGE = ROOT / "daemon" / "lungfish"
README = (ROOT / "README.md").read_text(encoding="utf-8")
EXAMPLES = sorted((ROOT / "config").glob("*.yaml"))


def _keys(annotation: object) -> Iterator[str]:
    """Every key that the site file knows, from the form itself."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        for name, field in annotation.model_fields.items():
            yield field.alias or name
            yield from _keys(field.annotation)
    else:
        for part in get_args(annotation):
            yield from _keys(part)


def _help(command: str, capsys: pytest.CaptureFixture[str]) -> str:
    with pytest.raises(SystemExit) as left:
        main([command, "--help"])
    assert left.value.code == 0
    return capsys.readouterr().out


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_explained(command: str) -> None:
    assert f"`lungfish {command}" in README


@pytest.mark.parametrize("code", [code.value for code in Diagnosis])
def test_every_diagnosis_is_explained_with_what_to_do(code: str) -> None:
    row = next((line for line in README.splitlines() if line.startswith(f"| `{code}` |")), None)
    assert row is not None, f"no row for {code}"
    cells = [cell.strip() for cell in row.strip("|").split("|")]
    assert len(cells) == 4
    assert all(cells)
    assert any(quality.value in cells[2] for quality in Quality)


@pytest.mark.parametrize("key", sorted(set(_keys(SiteFileForm))))
def test_every_key_of_the_site_file_is_explained(key: str) -> None:
    assert re.search(rf"`(?:[a-z_]+\.)*{re.escape(key)}(?:: [^`]*)?`", README), f"`{key}` stands nowhere in README.md"


@pytest.mark.parametrize("command", COMMANDS)
def test_help_tells_what_the_exit_status_means(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert re.search(r"^exit status:?\s+0\b", _help(command, capsys), re.IGNORECASE | re.MULTILINE)


def test_the_readme_has_just_two_commands_to_begin_with() -> None:
    demo, tests = blocks("README.md", "sh")
    assert len(demo.splitlines()) == len(tests.splitlines()) == 1
    assert demo.endswith("lungfish demo")
    assert tests.endswith("pytest")


def test_the_script_of_the_continuous_integration_is_sound() -> None:
    script = ROOT / ".ci" / "run"
    assert script.stat().st_mode & 0o111
    subprocess.run(["/bin/bash", "-n", str(script)], check=True)


def test_the_site_file_in_the_readme_is_sound() -> None:
    (text,) = blocks("README.md", "yaml")
    site = load_site_text(text, ROOT)
    assert site.warnings == ()


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_every_example_loads_without_a_warning(path: Path) -> None:
    assert load_site(path).warnings == ()


def test_every_example_is_told_of() -> None:
    assert EXAMPLES
    assert [path.name for path in EXAMPLES if f"`config/{path.name}`" not in README] == []


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_every_file_that_a_document_names_is_there(document: str) -> None:
    text = (ROOT / document).read_text(encoding="utf-8")
    named = re.findall(r"`((?:[\w.-]+/)+[\w.-]*)`", text)
    assert [name for name in named if not any((base / name).exists() for base in (ROOT, PACKAGE))] == []
