"""`lungfish baseline`: what it shows, what it does, and beside whom."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest

from lungfish.app.tank_loop import settings_hash
from lungfish.cli.main import main
from lungfish.config import cycle_setup, load_site
from lungfish.core.baseline import DAY_S, Baseline, follow
from lungfish.core.traits import Trait
from lungfish.store import Archive, Store
from tests.app.virtual_site import HEAD, TANK

START_S = 1.79e9


@pytest.fixture
def site_file(tmp_path: Path) -> Path:
    path = tmp_path / "site.yaml"
    text = HEAD.format(simultaneous=1) + "".join(
        TANK.format(name=name, unit=unit, every="1 h", max_open="60 s") for unit, name in enumerate(("wet-well", "pit"))
    )
    path.write_text(text)
    return path


def kept(site_file: Path, days: float, leak_a_day: float = 0.0) -> Baseline:
    """A baseline of the wet well in the store."""
    site = load_site(site_file)
    setup = cycle_setup(site, site.tanks["wet-well"])
    rng, baseline = random.Random(1), Baseline()
    for number in range(round(24 * days)):
        day = number / 24
        traits = {
            Trait.FRICTION: 700.0 + rng.gauss(0.0, 20.0),
            Trait.LEAK: leak_a_day * max(0.0, day - 10.0) + rng.gauss(0.0, 1.0),
        }
        baseline, _ = follow(setup, baseline, traits, START_S + day * DAY_S)
    with Store.open(site.store_path) as store:
        store.put_baseline("wet-well", baseline, settings_hash(setup))
    return baseline


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    status = main(["baseline", *map(str, words)])
    out, err = capsys.readouterr()
    return status, out, err


def test_it_shows_what_is_normal_and_when_the_limit_comes(site_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept(site_file, 40.0, leak_a_day=0.3)
    status, out, err = run(capsys, site_file)
    assert (status, err) == (0, "")
    lines = out.splitlines()
    assert lines[0].startswith("wet-well  since 2026-09-21, 960 usable cycles")
    assert any("friction" in line and "normal 7" in line and "Pa" in line for line in lines)
    assert any("called up on 2026-10" in line for line in lines)
    assert any("reaches 30.00 Pa/s between 20" in line and "95 %" in line for line in lines)
    assert any("filling" in line and "0 of 20" in line for line in lines)
    assert "pit  no usable cycle yet, 0 usable cycles" in lines
    assert max(map(len, lines)) <= 100


def test_a_program_gets_numbers(site_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    baseline = kept(site_file, 40.0, leak_a_day=0.3)
    status, out, _ = run(capsys, site_file, "wet-well", "--json")
    told = json.loads(out)["wet-well"]
    assert status == 0
    assert told["cycles"] == baseline.cycles
    leak = told["traits"]["leak"]
    assert leak["called"] == "up"
    assert leak["limit"] == 30.0
    forecast = leak["forecast"]
    assert forecast["early_utc_s"] < forecast["best_utc_s"] < forecast["late_utc_s"]
    truth_s = START_S + (10.0 + 30.0 / 0.3) * DAY_S
    assert forecast["early_utc_s"] < truth_s < forecast["late_utc_s"]
    assert told["traits"]["friction"]["called"] is None


def test_a_reset_is_done_at_once_when_the_store_is_free(site_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept(site_file, 2.0)
    status, out, _ = run(capsys, site_file, "wet-well", "--reset", "--by", "J. Doe", "--reason", "tube cleaned")
    assert status == 0
    assert "done (reset)" in out
    with Archive(load_site(site_file).store_path) as archive:
        stored = archive.baseline("wet-well")
        assert stored is not None
        assert stored.baseline == Baseline()
        (event,) = [event for event in archive.events("wet-well") if event.kind == "baseline"]
        assert "J. Doe: tube cleaned" in event.text


def test_a_lock_is_left_for_the_one_who_holds_the_store(site_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept(site_file, 2.0)
    path = load_site(site_file).store_path
    with Store.open(path) as held:
        assert held.flush().result(10.0)
        words = (site_file, "wet-well", "--lock", "--by", "J. Doe", "--reason", "it is good")
        status, out, _ = run(capsys, *words)
        assert status == 0
        assert "left for it there" in out
        status, out, _ = run(capsys, site_file, "wet-well")
        assert "waits for the lungfish that holds the store: lock (by J. Doe: it is good)" in out
        assert "locked" not in out.splitlines()[0]
    # the holder has gone without a further cycle: the next who opens the store finds it
    run(capsys, site_file, "wet-well", "--unlock", "--by", "J. Doe", "--reason", "after all not")
    with Archive(path) as archive:
        texts = [event.text for event in archive.events("wet-well") if event.kind == "baseline"]
        assert ["was locked" in texts[0], "was unlocked" in texts[1]] == [True, True]
        assert archive.baseline_requests("wet-well") == ()


def test_what_was_learned_under_other_settings_is_not_shown_as_normal(
    site_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept(site_file, 2.0)
    site_file.write_text(site_file.read_text().replace("bore: 8 mm", "bore: 9 mm"))
    _, out, _ = run(capsys, site_file, "wet-well")
    assert "learned under other settings" in out
    assert "normal 7" not in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--reset", "--reason", "x"), "--reset without a tank; name one of wet-well, pit"),
        (("wet-well", "--lock"), "--lock without a reason"),
        (("wet-well", "--lock", "--reason", "  "), "--lock without a reason"),
        (("wet-wall",), "did you mean `wet-well`"),
        ((), "there is no store yet"),
    ],
)
def test_what_is_wrong_is_said(
    site_file: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    status, out, err = run(capsys, site_file, *words)
    assert (status, out) == (2, "")
    assert said in err
