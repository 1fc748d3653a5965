"""The demo: no hardware, no file, no root; a good reading soon, every number beside the truth, an orderly end."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
import time

import pytest
from tests.system.rigs import lungfish

ROW = re.compile(r"^\d\d:\d\d:\d\d  (\S+) +(\d\.\d{4}) m +([\d.]+) mm +([-+][\d.]+) mm  (\w+)", re.MULTILINE)


def test_within_half_a_minute_there_are_good_readings_and_they_are_right() -> None:
    done = lungfish("demo", "--for", "25s", "--seed", "7")
    assert (done.returncode, done.stderr) == (0, "")
    rows = ROW.findall(done.stdout)
    assert {row[4] for row in rows} >= {"good"}
    assert len({row[0] for row in rows}) == 4  # every tank was read
    for _, _, u_mm, off_mm, _ in rows:
        assert abs(float(off_mm)) < float(u_mm)
    assert max(len(line) for line in done.stdout.splitlines()) <= 100
    assert done.stdout.rstrip().endswith("every simulated valve is shut")
    used = re.findall(r"([\d.]+) SL +([\d.]+) SL$", done.stdout, re.MULTILINE)
    assert len(used) == 4
    for by_lungfish, by_plant in used:
        assert float(by_lungfish) == pytest.approx(float(by_plant), rel=0.03, abs=0.004)


def test_ctrl_c_ends_it_with_every_valve_shut() -> None:
    demo = subprocess.Popen(
        [sys.executable, "-m", "lungfish", "demo"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert demo.stdout is not None
    while not demo.stdout.readline().startswith("time UTC"):
        pass
    time.sleep(2.0)  # valves are open or about to open
    demo.send_signal(signal.SIGINT)
    out, err = demo.communicate(timeout=40.0)
    assert (demo.returncode, err) == (0, "")
    assert out.rstrip().endswith("every simulated valve is shut")


@pytest.mark.parametrize("duration", ["30", "soon", "30 kg"])
def test_a_duration_that_is_none_is_refused_with_what_would_be_right(duration: str) -> None:
    done = lungfish("demo", "--for", duration)
    assert done.returncode == 2
    assert duration in done.stderr
    assert "write" in done.stderr
    assert "Traceback" not in done.stderr
