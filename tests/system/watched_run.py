"""`lungfish run` that tells in a file which phase its cycle is in, and stands still when another file asks for it.

    python -m tests.system.watched_run SITE.yaml FOLDER

FOLDER/phase holds process id and phase. FOLDER/stall with `loop` in it lets the event loop stand still, with `lock` the
whole interpreter, its lock held; FOLDER/stalled then holds the monotonic moment of it.
"""

from __future__ import annotations

import asyncio
import ctypes
import os
import sys
import threading
import time
from pathlib import Path

from lungfish.app.log import set_up_logging
from lungfish.app.service import run_site
from lungfish.config import load_site
from lungfish.core.cycle import Cycle
from lungfish.core.events import Action, Event

STALL_S = 600


def tell_phases(folder: Path) -> None:
    file = os.open(folder / "phase", os.O_WRONLY | os.O_CREAT, 0o644)
    step = Cycle.step

    def told(self: Cycle, event: Event) -> tuple[Action, ...]:
        actions = step(self, event)
        os.pwrite(file, f"{os.getpid():<10}{self.phase.value:<10}".encode(), 0)
        return actions

    Cycle.step = told  # type: ignore[method-assign]


def stall_when_asked(folder: Path, loop: asyncio.AbstractEventLoop) -> None:
    while True:
        time.sleep(0.01)
        try:
            kind = (folder / "stall").read_text(encoding="ascii")
            (folder / "stall").unlink()
        except FileNotFoundError:
            continue
        (folder / "stalled").write_text(str(time.monotonic()), encoding="ascii")
        if kind == "loop":
            loop.call_soon_threadsafe(time.sleep, STALL_S)
        else:
            ctypes.PyDLL(None).sleep(STALL_S)  # unlike CDLL it keeps the interpreter's lock


async def run(site_file: str, folder: Path) -> bool:
    loop = asyncio.get_running_loop()
    threading.Thread(target=stall_when_asked, args=(folder, loop), daemon=True).start()
    return await run_site(load_site(site_file))


if __name__ == "__main__":
    where = Path(sys.argv[2])
    (where / "phase").unlink(missing_ok=True)
    tell_phases(where)
    set_up_logging("text")
    sys.exit(0 if asyncio.run(run(sys.argv[1], where)) else 3)
