"""Run before each start of the daemon by a service manager: waits the longer, the more often it has died soon.

Instead of a limit of starts, after which tanks would stay unread; and so that a daemon that keeps dying does not keep
purging. (systemd 254 and later can grow the pause by itself; Debian 12 has 252.) Standard library only.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

__all__ = ["CALM_S", "LONGEST_PAUSE_S", "main", "pause_before_start"]

CALM_S = 600.0
"""A start this long after the one before is no quick death."""
LONGEST_PAUSE_S = 60.0
_FREE_STARTS = 3
"""The first deaths cost no pause: a valve may be open, and the next start is the one that looks after it."""
_FILE = "starts"


def pause_before_start(folder: Path, now_s: float) -> float:
    """How long to wait before this start, s; the start is counted.

    Args:
        folder: where the count is kept: one that a restart leaves and a boot empties.
        now_s: monotonic time.
    """
    file = folder / _FILE
    try:
        last, count = file.read_text(encoding="ascii").split()
        quick = int(count) + 1 if 0.0 <= now_s - float(last) < CALM_S + LONGEST_PAUSE_S else 0
    except (OSError, ValueError):  # the first start since the boot; or a count that was spoilt, which is none
        quick = 0
    quick = min(quick, _FREE_STARTS + 10)
    try:
        file.write_text(f"{now_s!r} {quick}", encoding="ascii")
    except OSError as error:
        print(f"restarts can't be counted: {error}", file=sys.stderr)  # noqa: T201 - goes to the journal
    return min(LONGEST_PAUSE_S, 2.0 ** (quick - _FREE_STARTS)) if quick > _FREE_STARTS else 0.0


def main(wait: Callable[[float], object] | None = None) -> int:
    """Wait as long as it takes.

    Args:
        wait: waits so many seconds; None: really.

    Returns:
        0: a pause is never a reason not to start.
    """
    folder = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if folder:
        pause_s = pause_before_start(Path(folder), time.monotonic())
        if pause_s > 0.0:
            print(f"lungfish has ended soon several times: {pause_s:g} s until the next start", file=sys.stderr)  # noqa: T201 - goes to the journal
            (wait or threading.Event().wait)(pause_s)
    return 0


if __name__ == "__main__":
    sys.exit(main())
