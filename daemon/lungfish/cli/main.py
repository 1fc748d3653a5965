"""The `lungfish` command: finds the sub-command, parses, calls."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence

from lungfish import __version__
from lungfish.errors import ConfigError, LungfishError

__all__ = ["COMMANDS", "main"]

COMMANDS = (
    *("check", "run", "read", "shut", "plan", "export", "air"),
    *("commission", "explain", "baseline", "handbook", "rehearse", "demo", "schema", "install-service"),
)
"""Sub-commands, each a module of this package with `add_parser` and `run`; in the order of the help."""

_DESCRIPTION = """\
Reads the level of a vented tank through a dip tube, with a few seconds of compressed air at a time, and says how well
the level is known.
"""
_EPILOG = """\
Caution
  A measuring instrument, never a safety function: it must not be the one thing between a tank and an overflow.
  Shut the air off and let it out before any work on tube or line. `run`, `read` and `demo` open purge valves
  (`demo` only simulated ones); `shut` shuts every valve of a site and opens none.

Each command explains itself: lungfish COMMAND --help
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Args:
        argv: arguments without the program's name; None takes them from the process.

    Returns:
        The exit status.
    """
    words = list(sys.argv[1:] if argv is None else argv)
    # only the command that is asked for is loaded: `shut` must not wait for what others need
    wanted = [name for name in COMMANDS if words and words[0] == name] or list(COMMANDS)
    parser = argparse.ArgumentParser(
        prog="lungfish",
        description=_DESCRIPTION,
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"lungfish {__version__}")
    subparsers = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for name in wanted:
        importlib.import_module(f"lungfish.cli.{name.replace('-', '_')}").add_parser(subparsers)
    args = parser.parse_args(words)
    try:
        status: int = args.func(args)
        sys.stdout.flush()
    except ConfigError as error:
        print(error, file=sys.stderr)
        return 2
    except LungfishError as error:
        print(f"lungfish: {error}", file=sys.stderr)
        return 3
    except BrokenPipeError:
        # the reader, such as `head`, has seen enough; and Python must not find the pipe broken again at its exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130
    return status
