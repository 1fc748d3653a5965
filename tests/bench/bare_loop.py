"""The baseline for processor time: a bare asynchronous pymodbus client that does nothing but read at a steady rate.

`python -m tests.bench.bare_loop PORT RATE`, in requests a second. Says `ready` after its first answer.
"""

from __future__ import annotations

import asyncio
import sys

from pymodbus.client import AsyncModbusTcpClient


async def _read(port: int, rate: float) -> None:
    client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=0.5, retries=0)
    if not await client.connect():
        sys.exit("no connection")
    loop = asyncio.get_running_loop()
    due_s, said = loop.time(), False
    while True:
        answer = await client.read_input_registers(0, count=2, device_id=1)
        if answer.isError():
            sys.exit(str(answer))
        if not said:
            said = True
            sys.stdout.write("ready\n")
            sys.stdout.flush()
        due_s += 1.0 / rate
        await asyncio.sleep(due_s - loop.time())


if __name__ == "__main__":
    asyncio.run(_read(int(sys.argv[1]), float(sys.argv[2])))
