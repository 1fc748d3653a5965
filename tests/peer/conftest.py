"""What every test against a peer starts from."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator

import pytest
from tests.peer.clocks import SkippingClock
from tests.peer.faulty_peer import FaultyPeer
from tests.peer.libmodbus_peer import LibmodbusPeer

from lungfish.drivers.modbus_tcp import ModbusTcpLink

TIMEOUT_S = 0.05


@pytest.fixture
def clock() -> SkippingClock:
    return SkippingClock()


@pytest.fixture
async def peer() -> AsyncIterator[FaultyPeer]:
    async with FaultyPeer() as faulty:
        yield faulty


@pytest.fixture
async def link(peer: FaultyPeer, clock: SkippingClock) -> AsyncIterator[ModbusTcpLink]:
    """Our link to the faulty peer."""
    ours = ModbusTcpLink("panel", peer.host, peer.port, TIMEOUT_S, clock)
    yield ours
    await ours.close()


@pytest.fixture
async def plant() -> AsyncIterator[LibmodbusPeer]:
    async with LibmodbusPeer() as server:
        yield server


@pytest.fixture(autouse=True)
def _nobody_else_complains(caplog: pytest.LogCaptureFixture) -> Iterator[None]:
    """A fault on the wire is told by us, in one line; never by a traceback from the loop or by the library."""
    yield
    for phase in ("setup", "call"):
        strangers = [r for r in caplog.get_records(phase) if r.name.startswith(("asyncio", "pymodbus"))]
        assert not [r for r in strangers if r.levelname in ("WARNING", "ERROR", "CRITICAL")]
