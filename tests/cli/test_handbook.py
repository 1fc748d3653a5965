"""The handbook in the terminal: every page is there, fits, is true to the code, and comes with the package."""

from __future__ import annotations

import fnmatch
import io
import re
import sys
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest

from lungfish.cli import pages
from lungfish.cli.main import main
from lungfish.cli.terminal import put
from lungfish.core.advice_table import ADVICE
from lungfish.core.codes import Diagnosis
from tests.repo.house import ROOT

FOLDER = ROOT / "daemon" / "lungfish" / "handbook"
TOPICS = pages.topics()


def printed(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["handbook", *words]) == 0
    return capsys.readouterr().out


def plain(text: str) -> str:
    return " ".join(text.split())


def test_without_a_topic_every_page_is_listed_with_its_title(capsys: pytest.CaptureFixture[str]) -> None:
    lines = printed(capsys).splitlines()
    for topic in ("baseline", "cannot-be-told", "cautions", "clearing", "cycle", "diagnosis"):
        (line,) = [line for line in lines if line.split(maxsplit=1)[:1] == [topic]]
        assert line.split(maxsplit=1)[1] == pages.title_of(topic) != topic


@pytest.mark.parametrize("topic", TOPICS)
def test_every_page_fits_the_terminal_and_has_every_number_in_its_place(
    topic: str, capsys: pytest.CaptureFixture[str]
) -> None:
    text = printed(capsys, topic)
    title, rule, *_ = text.splitlines()
    assert title == pages.title_of(topic)
    assert rule == "=" * len(title)
    assert max(map(len, text.splitlines())) <= 100
    assert "$" not in text
    assert "#" not in text
    assert not re.search(r"\n\n\n", text)


def test_every_number_that_pages_may_tell_is_told_by_one() -> None:
    sources = "".join(path.read_text("utf-8") for path in FOLDER.iterdir())
    assert [name for name in pages.FIGURES if f"${{{name}}}" not in sources] == []


def test_an_item_of_a_list_hangs_below_its_mark(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "new-page.md").write_text(
        "# A new page\n\nTold in ${leak_pa_s} Pa/s.\n\n- " + "word " * 30 + "\n- short\n\n    as it stands\n", "utf-8"
    )
    monkeypatch.setattr("lungfish.cli.pages._folder", lambda: tmp_path)
    assert "new-page" in pages.topics()  # a file is all it takes
    lines = list(pages.lines_of("new-page"))
    assert lines[:4] == ["A new page", "==========", "", f"Told in {pages.FIGURES['leak_pa_s']} Pa/s."]
    assert lines[5].startswith("- word")
    assert lines[6].startswith("  word")
    assert lines[7] == "- short"
    assert lines[-1] == "    as it stands"


def test_the_page_of_codes_holds_all_of_the_table(capsys: pytest.CaptureFixture[str]) -> None:
    page = plain(printed(capsys, "diagnosis"))
    for code in Diagnosis:
        row = ADVICE[code]
        for text in (row.says[1:], *row.remedies, *(f"{g.feature}: {g.limit}" for g in row.grounds), row.caution or ""):
            assert plain(text) in page, (code, text)


def test_what_cannot_be_told_is_listed_with_what_would_tell_it(capsys: pytest.CaptureFixture[str]) -> None:
    page = printed(capsys, "cannot-be-told")
    first, second, third = re.split(r"\n[^\n]+\n-{10,}\n", page)[1:]
    for section in (first, second):
        for item in re.split(r"\n- ", section.strip().removeprefix("- ")):
            assert "Told by:" in plain(item), item
    for fault in ("Zero drift", "density", "tip height", "not vented", "Foam", "layers"):
        assert fault in first
    for fault in ("No air", "falling level", "valve's end", "restrictor set wrong", "Water in the sense line"):
        assert fault in second
    for remedy in ("supply pressure switch", "flow switch", "second tube", "vent valve", "dipstick"):
        assert remedy in plain(third)


def test_the_cautions_name_what_kills(capsys: pytest.CaptureFixture[str]) -> None:
    page = plain(printed(capsys, "cautions"))
    for danger in (
        "Confined spaces",
        "Hydrogen sulphide",
        "Explosive atmospheres",
        "Overfill",
        "Shut the air off by hand",
    ):
        assert danger in page
    assert "never a safety function" in page
    assert "local code" in page
    assert "licensed practitioner" in page


def test_pages_are_shipped_with_the_package() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    patterns = settings["tool"]["setuptools"]["package-data"]["lungfish"]
    held = [path.name for path in FOLDER.iterdir()]
    assert held
    assert [name for name in held if not any(fnmatch.fnmatch(f"handbook/{name}", p) for p in patterns)] == []
    assert (files("lungfish") / "handbook" / "cautions.md").is_file()


def test_a_page_that_is_not_there_gets_one_message(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["handbook", "cleaning"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "there is no page `cleaning`; did you mean `clearing`?" in err
    assert "diagnosis" in err


def test_a_sign_that_has_no_ascii_never_stops_a_page(capsys: pytest.CaptureFixture[str]) -> None:
    put(["a name: \u00c6r\u00f8, 3 \u00b1 1 \u2603"], unicode=False)
    assert capsys.readouterr().out == "a name: ?r?, 3 +- 1 ?\n"


@pytest.mark.parametrize("topic", TOPICS)
def test_a_terminal_that_knows_ascii_alone_gets_every_page(topic: str, monkeypatch: pytest.MonkeyPatch) -> None:
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding="ascii"))
    assert main(["handbook", topic]) == 0
    sys.stdout.flush()
    assert raw.getvalue().decode("ascii").startswith(pages.title_of(topic))
