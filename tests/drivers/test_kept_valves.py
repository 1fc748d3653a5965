"""The daemon's list of valves, and shutting by it: only what reads back as shut counts, whatever a peer answers."""

from __future__ import annotations

import socket
import struct
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from lungfish.drivers import kept_valves
from lungfish.drivers.kept_valves import KeptValve, keep, kept_in, place_for, shut_kept


def valve(port: int, **changed: object) -> KeptValve:
    values = {"called": "north", "host": "127.0.0.1", "port": port, "timeout_s": 0.3, "unit": 1, "coil": True}
    return KeptValve(**{**values, "address": 20, "shut_value": 0, **changed})  # type: ignore[arg-type]


@contextmanager
def peer(*answers: bytes) -> Iterator[int]:
    """Answers the requests of each connection with these, in turn; an empty one is silence."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(5.0)

        def serve() -> None:
            while True:
                try:
                    connection, _ = server.accept()
                except OSError:
                    return
                with connection, suppress(OSError):  # who hears nonsense may hang up
                    for answer in answers:
                        if not connection.recv(260):
                            break
                        connection.sendall(answer)
                    connection.settimeout(1.0)
                    connection.recv(1)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield int(server.getsockname()[1])


def frame(number: int, pdu: bytes, unit: int = 1) -> bytes:
    return struct.pack(">HHHB", number, 0, 1 + len(pdu), unit) + pdu


# Modbus Application Protocol V1.1b3, 6.5 (write single coil), 6.1 (read coils), 6.6, 6.3
ECHO, SHUT, OPEN = bytes.fromhex("0500140000"), bytes.fromhex("010100"), bytes.fromhex("010101")


def test_the_list_comes_back_as_it_was_written(tmp_path: Path) -> None:
    file = tmp_path / "valves.json"
    keep(file, [valve(502), valve(502, called="south", coil=False, shut_value=7)], complete=True)
    assert kept_in(file) == ([valve(502), valve(502, called="south", coil=False, shut_value=7)], True)
    keep(file, [], complete=False)
    assert kept_in(file) == ([], False)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"valves": [{"called": 1}], "complete": true}'])
def test_what_is_no_list_is_not_taken_for_one(tmp_path: Path, text: str) -> None:
    (tmp_path / "valves.json").write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match=r"valves\.json|Expecting"):
        kept_in(tmp_path / "valves.json")


def test_its_place_is_the_service_managers_first_directory() -> None:
    assert place_for({"RUNTIME_DIRECTORY": "/run/lungfish:/run/other"}) == Path("/run/lungfish/valves.json")
    assert place_for({}) is None


@pytest.mark.parametrize(
    ("answers", "shut"),
    [
        ((frame(1, ECHO), frame(2, SHUT)), True),
        ((frame(1, ECHO), frame(2, OPEN)), False),
        ((frame(9, ECHO), frame(2, SHUT)), False),
        ((frame(1, ECHO, unit=2), frame(2, SHUT)), False),
        ((frame(1, ECHO), frame(1, SHUT)), False),
        ((frame(1, bytes.fromhex("050014ff00")), frame(2, SHUT)), False),
        ((frame(1, bytes.fromhex("8502")), frame(2, SHUT)), False),
        ((frame(1, ECHO)[:5], frame(2, SHUT)), False),
        ((frame(1, ECHO), b""), False),
    ],
    ids=["well", "still open", "other number", "other unit", "stale", "other value", "refused", "cut short", "silent"],
)
def test_only_what_reads_back_as_shut_is_confirmed(answers: tuple[bytes, ...], shut: bool) -> None:
    with peer(*answers) as port:
        assert (shut_kept([valve(port)])["north"] is None) is shut


def test_nobody_there_is_told_and_delays_no_other() -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent, peer(frame(1, ECHO), frame(2, SHUT)) as port:
        dead = valve(silent.getsockname()[1], called="dead")
        outcome = shut_kept([dead, valve(port)])
    assert outcome["north"] is None
    assert "timed out" in (outcome["dead"] or "")


def _outlive(tmp_path: Path, port: int, last_word: bytes) -> int:
    keep(tmp_path / "valves.json", [valve(port)], complete=True)
    process = subprocess.Popen(
        kept_valves.command(tmp_path / "valves.json"),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    with process.stdin, process.stdout:
        assert process.stdout.read(1) == kept_valves.RELEASE
        process.terminate()  # as a service manager does to all that is left of a service
        if last_word:
            process.stdin.write(last_word)
        process.stdin.close()
        return process.wait(20.0)


def test_the_process_beside_the_daemon_shuts_when_the_pipe_breaks_and_not_when_it_is_let_go(tmp_path: Path) -> None:
    with peer(frame(1, ECHO), frame(2, SHUT)) as port:
        assert _outlive(tmp_path, port, b"") == 0
    with peer(frame(1, ECHO), frame(2, OPEN)) as port:
        assert _outlive(tmp_path, port, b"") == 3
        assert _outlive(tmp_path, port, kept_valves.RELEASE) == 0
