"""A real Modbus server that is not our library: Debian's libmodbus, with a plant behind it that the test steps.

Needs gcc, pkg-config and libmodbus-dev (Debian packages).
"""

from __future__ import annotations

import asyncio
import atexit
import functools
import shutil
import subprocess
import tempfile
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

__all__ = ["LibmodbusPeer"]

_SOURCE = Path(__file__).with_name("libmodbus_plant.c")


@functools.cache
def _program() -> Path:
    """Build the server, once for each run of the tests."""
    folder = Path(tempfile.mkdtemp(prefix="libmodbus-plant-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    try:
        found = subprocess.run(
            ["pkg-config", "--cflags", "--libs", "libmodbus"], check=True, capture_output=True, text=True
        )
        program = folder / "plant"
        build = ["gcc", "-std=gnu11", "-Wall", "-Wextra", "-O1", "-o", str(program), str(_SOURCE)]
        subprocess.run([*build, *found.stdout.split()], check=True)
    except (OSError, subprocess.CalledProcessError) as error:
        raise RuntimeError("this test needs the packages gcc, pkg-config and libmodbus-dev") from error
    return program


class LibmodbusPeer:
    """Serves 200 coils, holding and input registers on 127.0.0.1, for any unit id; an async context manager.

    Args:
        on_coil: Called with address and value when a client has changed a coil.
        on_holding: Called with address and value when a client has changed a holding register.
        serial: A serial port and its rate in baud: speaks RTU there, as unit 1; None: TCP.
    """

    def __init__(
        self,
        on_coil: Callable[[int, bool], None] | None = None,
        on_holding: Callable[[int, int], None] | None = None,
        *,
        serial: tuple[str, int] | None = None,
    ) -> None:
        self.host = "127.0.0.1"
        """Where it listens."""
        self.port = 0
        """TCP port; known once it is entered."""
        self.coil_writes: list[tuple[int, bool]] = []
        """Every change of a coil by a client, in order."""
        self.on_coil = on_coil
        """Called with address and value when a client has changed a coil."""
        self.on_holding = on_holding
        """Called with address and value when a client has changed a holding register."""
        self._arguments = () if serial is None else (serial[0], str(serial[1]))
        self._coils: dict[int, bool] = {}
        self._holding: dict[int, int] = {}
        self._process: asyncio.subprocess.Process | None = None
        self._listener: asyncio.Task[None] | None = None
        self._answers: deque[asyncio.Future[str]] = deque()

    async def __aenter__(self) -> Self:
        self._process = await asyncio.create_subprocess_exec(
            _program(), *self._arguments, stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE
        )
        assert self._process.stdout is not None
        word, number = (await self._process.stdout.readline()).split()
        assert word == b"port"
        self.port = int(number)
        self._listener = asyncio.create_task(self._listen(self._process.stdout))
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        assert self._listener is not None
        self._process.stdin.close()
        await self._process.wait()
        await self._listener
        assert error is not None or self._process.returncode == 0, "the libmodbus server failed"

    async def set_input_registers(self, address: int, words: Sequence[int]) -> None:
        """Set input registers, all at once as far as a client can see."""
        await self._tell(f"input {address} {' '.join(map(str, words))}")

    async def set_holding_registers(self, address: int, words: Sequence[int]) -> None:
        """Set holding registers, all at once as far as a client can see."""
        await self._tell(f"holding {address} {' '.join(map(str, words))}")
        self._holding.update(enumerate(words, address))

    async def set_coil(self, address: int, on: bool) -> None:
        """Set a coil from the plant's side."""
        await self._tell(f"coil {address} {int(on)}")
        self._coils[address] = on

    async def set_delay(self, delay_s: float) -> None:
        """Answer every request this much later."""
        await self._tell(f"delay {round(1000 * delay_s)}")

    def coil(self, address: int) -> bool:
        """The state of a coil, as far as the server has told of it."""
        return self._coils.get(address, False)

    def holding(self, address: int) -> int:
        """The value of a holding register, as far as the server has told of it."""
        return self._holding.get(address, 0)

    async def settle(self) -> None:
        """Return when everything that the server did until now has been told."""
        await self._tell("input 0")  # sets nothing

    async def _tell(self, line: str) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        answer: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self._answers.append(answer)
        self._process.stdin.write(f"{line}\n".encode())
        said = await answer
        assert said == "ok", f"{line!r}: {said}"

    async def _listen(self, lines: asyncio.StreamReader) -> None:
        while line := (await lines.readline()).decode().strip():
            word, *rest = line.split()
            if word == "coil":
                address, on = int(rest[0]), rest[1] == "1"
                self._coils[address] = on
                self.coil_writes.append((address, on))
                if self.on_coil is not None:
                    self.on_coil(address, on)
            elif word == "holding":
                self._holding[int(rest[0])] = int(rest[1])
                if self.on_holding is not None:
                    self.on_holding(int(rest[0]), int(rest[1]))
            else:
                self._answers.popleft().set_result(line)
        for answer in self._answers:
            answer.set_exception(EOFError("the libmodbus server has ended"))
