"""Prints the matrix of the fault catalogue: `python -m tests.faults [WORD ...]` from the project's root.

Only faults with one of the words in kind or name are run; without a word, all. What is not as its file says
stands below its row. Exit status 0 when nothing but the known failures of `known.py` is wrong, 1 when more is, or
when one of those has become well, 2 for a bad file.
"""

from __future__ import annotations

import logging
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from tests.faults import matrix
from tests.faults.faultfile import BadFaultFile, FaultFile, catalogue, read_fault
from tests.faults.life import live
from tests.faults.outcome import Outcome, judged


def chosen(words: Sequence[str]) -> list[FaultFile]:
    """The faults that the words name; a word that is a file is read as one.

    Raises:
        BadFaultFile: a bad file.
    """
    files = [read_fault(Path(word)) for word in words if word.endswith((".yaml", ".yml"))]
    rest = [word.lower() for word in words if not word.endswith((".yaml", ".yml"))]
    if words and not rest:
        return files
    named = [f for f in catalogue() if not rest or any(w in f"{f.form.kind}: {f.form.name}".lower() for w in rest)]
    return files + named


def main(words: Sequence[str]) -> int:
    """Run and print."""
    try:
        faults = chosen(words)
    except BadFaultFile as error:
        print(error, file=sys.stderr)
        return 2
    outcomes: list[Outcome] = []
    began_s = time.monotonic()
    print(matrix.header(), flush=True)
    for number, fault in enumerate(faults, 1):
        if sys.stderr.isatty():
            print(f"{number}/{len(faults)} {fault.form.name}", end="\x1b[K\r", file=sys.stderr, flush=True)
        with tempfile.TemporaryDirectory() as folder:
            outcomes.append(judged(live(fault, Path(folder))))
        print(matrix.line(outcomes[-1]), flush=True)
    print(f"\n{matrix.summary(outcomes)}\n{time.monotonic() - began_s:.0f} s", flush=True)
    return int(any(matrix.is_surprise(outcome) for outcome in outcomes))


if __name__ == "__main__":
    logging.disable(logging.CRITICAL)
    sys.exit(main(sys.argv[1:]))
