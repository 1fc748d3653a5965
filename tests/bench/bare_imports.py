"""The baseline for memory: a process that imports the modules named in a file, and does nothing else.

`python -m tests.bench.bare_imports FILE`, one name a line. Says `ready` when everything is there, then waits.
"""

from __future__ import annotations

import importlib
import signal
import sys
from pathlib import Path

if __name__ == "__main__":
    for name in Path(sys.argv[1]).read_text(encoding="ascii").split():
        importlib.import_module(name)
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    signal.pause()
