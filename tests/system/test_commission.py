"""`lungfish commission` at a real terminal against a real server: what a technician sees, and that all is shut."""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.system.rigs import lungfish, rig_for, until, write_site

TIMEOUT_S = 1.0


def site_with_timeout(folder: Path) -> Path:
    file = write_site(folder, every="60 s")
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("max_open: 8 s", f"max_open: 8 s, module_timeout: {TIMEOUT_S} s"), encoding="utf-8")
    return file


def at_the_panel(
    file: Path, answer: Callable[[str], str | None], *words: str, during: Callable[[int, str], None] | None = None
) -> tuple[int, str]:
    """Run it at a terminal of its own; `answer` gets each question, None hangs up."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "lungfish", "commission", str(file), *words],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
    )
    os.close(theirs)
    shown, answered = "", 0
    while True:
        try:
            more = os.read(ours, 4096)
        except OSError:  # the other end is gone
            break
        if not more:
            break
        shown += more.decode()
        if shown.endswith("[yes/no] ") and len(shown) > answered:
            answered = len(shown)
            question = shown.rsplit("?", 2)[-2]
            words_said = answer(question)
            if words_said is None:
                os.write(ours, b"\x04")  # end of file
            else:
                os.write(ours, words_said.encode() + b"\n")
            if during is not None:
                during(process.pid, question)
    os.close(ours)
    return process.wait(20.0), shown.replace("\r\n", "\n")


def record_in(folder: Path) -> str:
    (file,) = folder.glob("commission-*.txt")
    return file.read_text(encoding="utf-8")


def test_a_sound_wiring_passes_is_written_down_and_its_time_out_is_proven_from_then_on(tmp_path: Path) -> None:
    file = site_with_timeout(tmp_path)
    assert "stated, never tried" in lungfish("check", file).stdout
    with rig_for(file) as rig:
        status, shown = at_the_panel(file, lambda _question: "yes")
        assert rig.open_now() == []
        assert len([move for move in rig.moves if move[1]]) == 2
    assert status == 0, shown
    assert "hydrogen sulphide" in shown.split("[yes/no]")[0], "before anything else"
    assert max(len(line) for line in shown.splitlines() if "passed" not in line and "record" not in line) <= 100
    record = record_in(tmp_path)
    for step in ("transmitter answers", "order of words", "transmitter responds", "click", "block shuts by itself"):
        assert step in record
    assert "FAILED" not in record.replace("0 FAILED", "")
    assert "seen to work on 20" in lungfish("check", file).stdout
    changed = file.read_text(encoding="utf-8").replace(f"module_timeout: {TIMEOUT_S} s", "module_timeout: 2 s")
    file.write_text(changed, encoding="utf-8")
    assert "stated, never tried" in lungfish("check", file).stdout, "another time-out was never proven"


def test_a_block_that_does_not_shut_by_itself_is_told_and_shut_by_us(tmp_path: Path) -> None:
    file = site_with_timeout(tmp_path)
    with rig_for(file, more=("--no-timeouts",)) as rig:
        status, shown = at_the_panel(file, lambda _question: "yes")
        assert rig.open_now() == []
        assert rig.longest_open_s() < TIMEOUT_S + 2.0
    assert status == 1
    assert "NOT proven" in shown
    assert "NOT proven" in record_in(tmp_path)
    assert "stated, never tried" in lungfish("check", file).stdout


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_interrupted_with_the_valve_open_it_shuts_it_and_says_so(tmp_path: Path, number: signal.Signals) -> None:
    file = site_with_timeout(tmp_path)
    with rig_for(file, more=("--no-timeouts",)) as rig:

        def interrupt(pid: int, question: str) -> None:
            if "open it" in question:
                rig.wait_for_opening()
                os.kill(pid, number)

        status, shown = at_the_panel(file, lambda _question: "yes", during=interrupt)
        assert rig.open_now() == []
    assert status == 1
    assert "ended early: interrupted" in record_in(tmp_path)
    assert "shut at the end" in shown


def test_a_terminal_that_is_gone_leaves_no_valve_open(tmp_path: Path) -> None:
    file = site_with_timeout(tmp_path)
    with rig_for(file, more=("--no-timeouts",)) as rig:
        ours, theirs = pty.openpty()
        process = subprocess.Popen(
            [sys.executable, "-m", "lungfish", "commission", str(file)],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            start_new_session=True,
        )
        os.close(theirs)
        for question in (b"panel? [yes/no] ", b"now? [yes/no] "):
            shown = b""
            while not shown.endswith(question):
                shown += os.read(ours, 4096)
            os.write(ours, b"yes\n")
        rig.wait_for_opening()
        os.close(ours)
        process.wait(20.0)
        assert rig.open_now() == []
    assert "ended early" in record_in(tmp_path)


def test_a_valve_that_was_not_heard_is_not_left_open_alone(tmp_path: Path) -> None:
    file = site_with_timeout(tmp_path)
    with rig_for(file) as rig:
        status, shown = at_the_panel(file, lambda question: "no" if "click" in question else "yes")
        assert len([move for move in rig.moves if move[1]]) == 1
    assert status == 1
    assert "proven" not in shown


def test_when_nobody_answers_any_more_all_is_shut(tmp_path: Path) -> None:
    file = site_with_timeout(tmp_path)
    with rig_for(file) as rig:
        status, _ = at_the_panel(file, lambda question: None if "click" in question else "yes")
        assert rig.open_now() == []
    assert status == 1
    assert "nobody answered any more" in record_in(tmp_path)


def test_a_no_opens_nothing(tmp_path: Path) -> None:
    file = site_with_timeout(tmp_path)
    with rig_for(file) as rig:
        status, _ = at_the_panel(file, lambda question: "no" if "open it" in question else "yes")
        assert [move for move in rig.moves if move[1]] == []
    assert status == 1, "left out is not passed"


def test_a_wrong_word_order_is_pointed_out(tmp_path: Path) -> None:
    file = site_with_timeout(tmp_path)
    with rig_for(file):
        wrong = file.read_text(encoding="utf-8").replace("format: float32", "format: float32, word_order: little")
        file.write_text(wrong, encoding="utf-8")
        done = lungfish("commission", file, "--no-valves")
    assert done.returncode == 1
    assert "most likely: format: float32, word_order: big" in done.stdout


def test_without_a_terminal_it_asks_nobody_and_beside_a_daemon_it_refuses(tmp_path: Path) -> None:
    file = site_with_timeout(tmp_path)
    assert lungfish("commission", file).returncode == 2
    with rig_for(file) as rig:
        process = subprocess.Popen(
            [sys.executable, "-m", "lungfish", "run", str(file)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            rig.wait_for_opening()
            refused = lungfish("commission", file, "--no-valves")
        finally:
            process.terminate()
            process.wait(30.0)
        until(lambda: rig.open_now() == [], 5.0)
    assert refused.returncode == 3
    assert refused.stderr.count("\n") <= 2


def test_with_nobody_at_the_other_end_it_says_what_does_not_answer(tmp_path: Path) -> None:
    done = lungfish("commission", site_with_timeout(tmp_path), "--no-valves")
    assert done.returncode == 3
    assert "link panel" in done.stdout
    assert "Traceback" not in done.stderr
