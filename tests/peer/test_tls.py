"""Modbus TCP over TLS: the device must prove who it is before anything is asked of it. Needs the package openssl."""

from __future__ import annotations

import asyncio
import ssl
import subprocess
from pathlib import Path

import pytest
from tests.drivers.specs import valve_spec
from tests.peer.clocks import SkippingClock
from tests.peer.faulty_peer import FaultyPeer, tell

from lungfish.config.link_model import ModbusTcpLinkSpec, TlsSpec
from lungfish.drivers.kept_spec import kept_valve
from lungfish.drivers.kept_valves import keep, kept_in, shut_kept
from lungfish.drivers.modbus_tcp import ModbusTcpLink
from lungfish.drivers.shut import shut_valve
from lungfish.errors import DeviceAbsent

TIMEOUT_S = 2.0
NAME = "panel.example"


@pytest.fixture(scope="module")
def papers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A certificate of the device and its key, one of ours, and one of a stranger; each signed by itself."""
    folder = tmp_path_factory.mktemp("papers")
    for who in ("device", "ours", "stranger"):
        subprocess.run(
            [
                *("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"),
                *("-days", "2", "-subj", f"/CN={who}", "-addext", f"subjectAltName=DNS:{NAME}"),
                *("-keyout", str(folder / f"{who}.key"), "-out", str(folder / f"{who}.pem")),
            ],
            check=True,
            capture_output=True,
        )
    return folder


def served(papers: Path, *, asks_us: bool = False) -> FaultyPeer:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(papers / "device.pem", papers / "device.key")
    if asks_us:
        context.verify_mode = ssl.CERT_REQUIRED
        context.load_verify_locations(papers / "ours.pem")
    return FaultyPeer(secured=context)


def tls(papers: Path, ca: str = "device", name: str | None = NAME, own: str | None = None) -> TlsSpec:
    return TlsSpec(
        ca=papers / f"{ca}.pem",
        certificate=papers / f"{own}.pem" if own else None,
        key=papers / f"{own}.key" if own else None,
        server_name=name,
    )


async def read_once(peer: FaultyPeer, secured: TlsSpec) -> tuple[int, int]:
    link = ModbusTcpLink("panel", peer.host, peer.port, TIMEOUT_S, SkippingClock(), secured)
    try:
        return tell((await link.read_registers(unit=1, table="input", address=12, count=3)).values)
    finally:
        await link.close()


async def test_a_device_that_proves_who_it_is_is_read(papers: Path) -> None:
    async with served(papers) as peer:
        assert await read_once(peer, tls(papers)) == (12, 1)


async def test_a_device_that_asks_who_we_are_is_told(papers: Path) -> None:
    async with served(papers, asks_us=True) as peer:
        assert await read_once(peer, tls(papers, own="ours")) == (12, 1)


@pytest.mark.parametrize(("ca", "name"), [("stranger", NAME), ("device", "other.example"), ("device", None)])
async def test_who_can_not_prove_it_is_asked_nothing(papers: Path, ca: str, name: str | None) -> None:
    async with served(papers) as peer:
        with pytest.raises(DeviceAbsent):
            await read_once(peer, tls(papers, ca, name))
        assert peer.asked == []


async def test_a_file_that_is_none_is_named(papers: Path, tmp_path: Path) -> None:
    (tmp_path / "empty.pem").write_text("")
    wrong = TlsSpec(ca=tmp_path / "empty.pem", certificate=None, key=None, server_name=None)
    async with served(papers) as peer:
        with pytest.raises(DeviceAbsent, match=r"empty\.pem"):
            await read_once(peer, wrong)


async def test_a_valve_is_shut_without_the_daemon(papers: Path) -> None:
    valve = valve_spec()
    async with served(papers) as peer:
        peer.outputs[valve.unit, 5, valve.address] = 0xFF00
        spec = ModbusTcpLinkSpec(name="panel", host=peer.host, port=peer.port, timeout_s=TIMEOUT_S, tls=tls(papers))
        assert await asyncio.to_thread(shut_valve, spec, valve)
        assert peer.outputs[valve.unit, 5, valve.address] == 0x0000
        stranger = ModbusTcpLinkSpec(
            name="panel", host=peer.host, port=peer.port, timeout_s=TIMEOUT_S, tls=tls(papers, "stranger")
        )
        asked = len(peer.asked)
        with pytest.raises(DeviceAbsent):
            await asyncio.to_thread(shut_valve, stranger, valve)
        assert len(peer.asked) == asked


async def test_a_valve_is_shut_by_the_list_that_the_daemon_left(papers: Path, tmp_path: Path) -> None:
    valve = valve_spec()
    async with served(papers, asks_us=True) as peer:
        for ca, shut in (("stranger", False), ("device", True)):
            peer.outputs[valve.unit, 5, valve.address] = 0xFF00
            secured = tls(papers, ca, own="ours")
            spec = ModbusTcpLinkSpec(name="panel", host=peer.host, port=peer.port, timeout_s=TIMEOUT_S, tls=secured)
            kept = kept_valve("north", spec, valve)
            assert kept is not None
            keep(tmp_path / "valves.json", [kept], complete=True)
            valves, _ = kept_in(tmp_path / "valves.json")
            outcome = await asyncio.to_thread(shut_kept, valves)
            assert (outcome["north"] is None) is shut
            assert peer.outputs[valve.unit, 5, valve.address] == (0x0000 if shut else 0xFF00)
