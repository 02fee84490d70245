"""What a service manager is told: ready, alive, stopping (the notification protocol of systemd, sd_notify(3))."""

import os
import socket

READY_WAIT_S = 5.0  # a lost READY is a start that never ends; what is said later is said again a second after


class ServiceNotice:
    """Sends notices when a service manager asked for them by NOTIFY_SOCKET; otherwise says nothing."""

    def __init__(self) -> None:
        self._address = os.environ.get("NOTIFY_SOCKET", "")
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) if self._address else None

    def _tell(self, notice: str, wait_s: float = 0.0) -> None:
        if self._socket is None:
            return
        self._socket.settimeout(wait_s)
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        try:
            self._socket.sendto(notice.encode(), address)
        except OSError:
            return  # a service manager that is gone, or does not read, must not stop the plants' light

    def ready(self) -> None:
        self._tell("READY=1", READY_WAIT_S)

    def alive(self, status: str) -> None:
        self._tell(f"WATCHDOG=1\nSTATUS={status}")

    def stopping(self) -> None:
        self._tell("STOPPING=1")

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
