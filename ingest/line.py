"""The serial line: opened alone, read as raw bytes, closed whatever happens."""

from __future__ import annotations

from dataclasses import dataclass
from types import TracebackType
from typing import Any, Protocol, Self

from ingest.errors import NotNow

_CHUNK = 65_536
_READ_S = 0.05


class LineLost(Exception):
    """The line went away while it was in use: cable pulled, power lost, port gone."""


class Line(Protocol):
    """What a capture and a talk need of a line; tests put a scripted one in its place."""

    def read(self) -> bytes:
        """Return what has arrived, empty after a short wait; raise LineLost."""
        ...

    def write(self, data: bytes) -> None:
        """Send bytes; raise LineLost."""
        ...


@dataclass(frozen=True)
class Setting:
    """How a port is opened."""

    port: str
    speed: int = 9600
    bits: int = 8
    parity: str = "none"
    stop_bits: int = 1
    flow: str = "none"


class SerialLine:
    """A port of this laptop, or what pyserial opens by an address such as `loop://`."""

    def __init__(self, setting: Setting) -> None:
        import serial

        self._error = serial.SerialException
        try:
            self._port: Any = serial.serial_for_url(
                setting.port, baudrate=setting.speed, bytesize=setting.bits,
                parity=setting.parity[0].upper(), stopbits=setting.stop_bits,
                rtscts=setting.flow == "hardware", xonxoff=setting.flow == "software",
                timeout=_READ_S, write_timeout=5, exclusive=True,
            )  # fmt: skip
        except (serial.SerialException, OSError, ValueError) as error:
            raise NotNow(f"The port {setting.port} cannot be opened: {_plain(error)}.") from None

    def read(self) -> bytes:
        """Return what has arrived, empty after a short wait; raise LineLost."""
        try:
            waiting = self._port.in_waiting
            return bytes(self._port.read(min(max(waiting, 1), _CHUNK)))
        except (self._error, OSError, TypeError) as error:  # TypeError: closed under our feet
            raise LineLost(_plain(error)) from None

    def write(self, data: bytes) -> None:
        """Send bytes; raise LineLost."""
        try:
            self._port.write(data)
            self._port.flush()
        except (self._error, OSError) as error:
            raise LineLost(_plain(error)) from None

    def close(self) -> None:
        """Give the port free."""
        self._port.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        self.close()


def _plain(error: BaseException) -> str:
    """Say what the system reported without the name of a class."""
    text = str(error).strip().rstrip(".")
    return text or type(error).__name__


def ports() -> list[str]:
    """List the serial ports of this laptop in words."""
    from serial.tools import list_ports

    return [
        f"{port.device}: {port.description}" if port.description != "n/a" else port.device
        for port in sorted(list_ports.comports(), key=lambda port: port.device)
    ]
