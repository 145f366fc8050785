"""The serial line: opened alone, read as raw bytes, closed whatever happens."""

from __future__ import annotations


def ports() -> list[str]:
    """List the serial ports of this laptop in words."""
    from serial.tools import list_ports

    return [
        f"{port.device}: {port.description}" if port.description != "n/a" else port.device
        for port in sorted(list_ports.comports(), key=lambda port: port.device)
    ]
