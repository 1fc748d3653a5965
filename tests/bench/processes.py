"""Starting processes and reading what they have used; Linux only (proc(5))."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.repo.house import ROOT

_TICKS = os.sysconf("SC_CLK_TCK")


@contextmanager
def running(*words: str, says_ready: bool = True, python: Path | None = None) -> Iterator[subprocess.Popen[str]]:
    """A program, ended with SIGTERM.

    Args:
        words: behind `python -m`.
        says_ready: it prints a line when it is; waited for.
        python: interpreter; None: this one.
    """
    process = subprocess.Popen(
        [python or sys.executable, "-m", *words],
        cwd=ROOT,
        stdout=subprocess.PIPE if says_ready else subprocess.DEVNULL,
        stderr=None if says_ready else subprocess.DEVNULL,
        text=True,
    )
    try:
        if process.stdout is not None:
            assert process.stdout.readline() == "ready\n"
        yield process
        assert process.poll() is None, f"{words[0]} ended by itself: {process.returncode}"
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        if process.stdout is not None:
            process.stdout.close()


def install_runtime(directory: Path) -> Path:
    """A virtual environment with lungfish and what it runs on, and none of what only its tests need.

    A library may import what it merely finds: pint takes up numpy, which would weigh on both sides of a ratio.

    Args:
        directory: where to; must not exist.

    Returns:
        Its interpreter.
    """
    source, environment = directory / "source", directory / "environment"
    shutil.copytree(ROOT / "daemon", source / "daemon", ignore=shutil.ignore_patterns("__pycache__", "*.egg-info"))
    for name in ("pyproject.toml", "README.md", "LICENSE"):  # a copy, for building leaves its scraps in the source
        shutil.copy(ROOT / name, source)
    subprocess.run([sys.executable, "-m", "venv", environment], check=True)
    python = environment / "bin" / "python"
    subprocess.run([python, "-m", "pip", "install", "--quiet", source], check=True)
    return python


def resident_bytes(process: subprocess.Popen[str]) -> int:
    """Resident memory now (VmRSS)."""
    lines = Path(f"/proc/{process.pid}/status").read_text(encoding="ascii").splitlines()
    (kib,) = (int(line.split()[1]) for line in lines if line.startswith("VmRSS:"))
    return kib * 1024


def processor_s(process: subprocess.Popen[str]) -> float:
    """Processor time so far, user and system, of all its threads."""
    fields = Path(f"/proc/{process.pid}/stat").read_text(encoding="ascii").rsplit(") ", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / _TICKS


def requests(rig: subprocess.Popen[str]) -> int:
    """How many requests a counted rig has had so far."""
    rig.send_signal(signal.SIGUSR1)
    assert rig.stdout is not None
    return int(rig.stdout.readline())


def judged(what: str, ratio: float, limit: float) -> str:
    """One line for the terminal: the ratio beside its limit."""
    return f"{what}: ratio {ratio:.3f}, limit {limit:g}: {'within' if ratio <= limit else 'NOT within'}"
