"""Rules of the house that no tool of the trade holds."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from tests.repo.house import ROOT, ignored, texts

TOP_LEVEL = {
    ".ci",
    ".gitignore",
    "CHANGELOG.md",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "config",
    "daemon",
    "pyproject.toml",
    "systemd",
    "tests",
}
LONGEST_FILE = 450
SYSTEM_DIRECTORIES = {"bin", "dev", "etc", "lib", "proc", "run", "sbin", "sys", "usr", "var"}
"""Where an absolute path may point: these are on every machine, others on one."""
MAY_WAIT = ("tests/peer/", "tests/system/", "tests/bench/", "tests/store/killing.py", "tests/store/test_mounted.py")
"""Tests that deal with real sockets, kill real processes or mount real file systems, and so wait in real time."""


def _python() -> Iterator[tuple[Path, ast.Module]]:
    for path, text in texts(".py"):
        yield path, ast.parse(text)


def test_the_top_level_holds_what_belongs_there_and_nothing_else() -> None:
    assert {path.name for path in ROOT.iterdir() if not ignored(path)} == TOP_LEVEL


def test_no_file_holds_more_than_one_can_read_at_a_sitting() -> None:
    assert {str(path): text.count("\n") for path, text in texts(".py") if text.count("\n") > LONGEST_FILE} == {}


def test_nothing_names_a_place_on_one_machine() -> None:
    absolute = re.compile(r"(?<![\w.\]})*~$/<>-])/([a-z][\w.-]*)/[\w.-]+")
    foreign = [
        f"{path}: {match[0]}"
        for path, text in texts()
        for match in absolute.finditer(text)
        if match[1] not in SYSTEM_DIRECTORIES
    ]
    assert foreign == []


def test_every_exception_from_a_rule_names_the_rule() -> None:
    bare = re.compile(r"#\s*(?:noqa(?!: [A-Z]+[0-9])|type: ignore(?!\[)).*")
    assert [f"{path}: {match[0]}" for path, text in texts(".py") for match in bare.finditer(text)] == []


def test_no_test_is_passed_over() -> None:
    marks = re.compile(r"\bpytest\.(?:mark\.)?(?:" + "skip|xf" + r"ail)|importor" + "skip")
    assert [str(path) for path, text in texts(".py") if marks.search(text)] == []


def test_only_the_supervisor_catches_everything() -> None:
    broad = [
        f"{path}:{node.lineno}"
        for path, tree in _python()
        if path.parts[0] == "daemon"
        for node in ast.walk(tree)
        if isinstance(node, ast.ExceptHandler)
        and (node.type is None or (isinstance(node.type, ast.Name) and node.type.id == "Exception"))
    ]
    assert [place.rsplit(":", 1)[0] for place in broad] == ["daemon/lungfish/app/supervisor.py"], broad


def test_tests_wait_in_virtual_time_unless_they_deal_with_the_real_world() -> None:
    waits = [
        f"{path}:{node.lineno}"
        for path, tree in _python()
        if path.parts[0] == "tests" and not str(path).startswith(MAY_WAIT)
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "time.sleep"
    ]
    assert waits == []


def test_every_module_says_what_it_offers() -> None:
    silent = [
        str(path)
        for path, tree in _python()
        if path.parts[0] == "daemon" and path.name not in {"__init__.py", "__main__.py"}
        if not any(isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__" for node in tree.body)
    ]
    assert silent == []
