"""``wardian`` whose deciding loop hangs in a read of its simulated sensor while the fifo named by HELD_BUS is there.

The read blocks in the kernel, as one does on a bus whose clock line a sensor holds, and the loop's thread is in it:
no deadline stands between, so that the last guards (the board's lease, the service manager's watchdog) can be seen.
"""

import os
from pathlib import Path

from controller.chamber.sensor_bus import SimulatedBus
from controller.cli import main

FIFO = Path(os.environ["HELD_BUS"])


_readfrom_into = SimulatedBus.readfrom_into


def held(self: SimulatedBus, address: int, buffer: bytearray, *, start: int = 0, end: int | None = None) -> None:
    if FIFO.exists():
        os.close(os.open(FIFO, os.O_RDONLY))  # comes back when somebody writes, which nobody does
    _readfrom_into(self, address, buffer, start=start, end=end)


if __name__ == "__main__":
    SimulatedBus.readfrom_into = held  # type: ignore[method-assign]
    main()
