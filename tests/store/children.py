"""Work done in a child process, for limits and rights that must not touch the test's own."""

from __future__ import annotations

import os
import traceback
from collections.abc import Callable

NOBODY = 65534


def in_child(work: Callable[[], None], *, as_nobody: bool = False) -> None:
    """Do the work in a child and fail here if it failed there.

    Args:
        work: called in the child.
        as_nobody: give up root's rights first, if there are any: root may write everywhere.
    """
    ends = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            if as_nobody and os.geteuid() == 0:
                os.setgroups([])
                os.setgid(NOBODY)
                os.setuid(NOBODY)
            work()
        except BaseException:
            os.write(ends[1], traceback.format_exc().encode())
            os._exit(1)
        os._exit(0)
    os.close(ends[1])
    with os.fdopen(ends[0], "rb") as report:
        told = report.read().decode()
    status = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    assert status == 0, told or f"the child ended with {status}"
