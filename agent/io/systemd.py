"""A word to systemd: the notify datagram (sd_notify(3)). Without systemd it does nothing."""

from __future__ import annotations

import os
import socket

SEND_TIMEOUT_S = 1.0  # systemd reads at once; a stuck socket must not stop the loop


def notify(*lines: str) -> bool:
    """Send lines such as READY=1, STATUS=…, WATCHDOG=1; true when there was somebody to send them to."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]  # the abstract namespace
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as to_systemd:
        to_systemd.settimeout(SEND_TIMEOUT_S)
        try:
            to_systemd.sendto("\n".join(lines).encode(), address)
        except OSError:
            return False  # systemd restarts itself at times; the next word will reach it
    return True
