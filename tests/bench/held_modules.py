"""A lungfish command that writes down, at its end, which modules it held: the mechanical half of the memory baseline.

`python -m tests.bench.held_modules FILE COMMAND...`: one name a line, in the order in which they were first imported.
Left out is what the baseline has anyway or can't import: this program, lungfish itself, and objects without a file or
a loader that a library only puts into `sys.modules`.
"""

from __future__ import annotations

import sys
from pathlib import Path

from lungfish.cli.main import main

_OWN = ("__main__", "__mp_main__", "lungfish", "tests")


def held() -> list[str]:
    """Modules of this process that are not lungfish's own."""
    return [
        name
        for name, module in list(sys.modules.items())
        if name.split(".")[0] not in _OWN and getattr(module, "__spec__", None) is not None
    ]


if __name__ == "__main__":
    try:
        status = main(sys.argv[2:])
    finally:
        Path(sys.argv[1]).write_text("\n".join(held()), encoding="ascii")
    sys.exit(status)
