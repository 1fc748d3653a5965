"""The baseline for memory: a process that has imported what lungfish runs on, with its units defined, and nothing else.

`python -m tests.bench.bare_imports`. Says `ready` when everything is there, then waits.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import signal
import sqlite3
import sys
import zoneinfo

import apscheduler.schedulers.asyncio
import apscheduler.triggers.cron
import pint
import pydantic
import pymodbus.client
import yaml

from lungfish.units import LENGTH, quantity

USED = (
    argparse,
    asyncio,
    json,
    logging,
    sqlite3,
    zoneinfo,
    apscheduler,
    pint,
    pydantic,
    pymodbus,
    yaml,
)

if __name__ == "__main__":
    quantity("1 m", LENGTH)  # makes the registry of units
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    signal.pause()
