"""What a service manager is told: ready, alive, stopping (the notification protocol of systemd, sd_notify(3))."""

import os
import socket


class ServiceNotice:
    """Sends notices when a service manager asked for them by NOTIFY_SOCKET; otherwise says nothing."""

    def __init__(self) -> None:
        self._address = os.environ.get("NOTIFY_SOCKET", "")
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) if self._address else None

    def _tell(self, notice: str) -> None:
        if self._socket is None:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        try:
            self._socket.sendto(notice.encode(), address)
        except OSError:
            return  # a service manager that is gone must not stop the plants' light

    def ready(self) -> None:
        self._tell("READY=1")

    def alive(self, status: str) -> None:
        self._tell(f"WATCHDOG=1\nSTATUS={status}")

    def stopping(self) -> None:
        self._tell("STOPPING=1")

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
