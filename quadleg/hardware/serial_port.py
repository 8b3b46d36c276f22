"""A serial port of this computer, through pyserial."""

from __future__ import annotations

import errno
from typing import Protocol

from quadleg.errors import BoardError

PORT_TAKES = 0.05  # s within which the port takes what is written


class SerialPort(Protocol):
    """What is used of pyserial's Serial. Its errors are OSError."""

    @property
    def in_waiting(self) -> int: ...

    def read(self, size: int = 1) -> bytes: ...

    def write(self, data: bytes) -> int | None: ...

    def cancel_read(self) -> None: ...

    def close(self) -> None: ...


def open_port(name: str, baud: int) -> SerialPort:
    """Open a serial port for us alone. Raises BoardError with the cure."""
    try:
        import serial
        from serial.tools.list_ports import comports
    except ImportError as error:
        raise BoardError(
            "a board on a serial port needs pyserial", "pip install -e '.[board]' in quadleg's folder"
        ) from error

    try:
        port: SerialPort = serial.Serial(name, baud, write_timeout=PORT_TAKES, exclusive=True)
    except ValueError as error:
        raise BoardError(f"{name} cannot run at {baud} baud", "57600, the stock firmware's, would be right") from error
    except OSError as error:
        there = f"ports that are there: {', '.join(sorted(port.device for port in comports())) or 'none'}"
        plug_in = "plug the microcontroller in, or set board.port to its port"
        empty = f"nothing is plugged in at {name}; {there}", plug_in
        taken = f"{name} is in use", "close the other program (a serial monitor, another quadleg)"
        told = {
            errno.ENOENT: (f"there is no serial port {name!r}; {there}", plug_in),
            errno.ENODEV: empty,
            errno.ENXIO: empty,
            errno.EACCES: (f"{name} may not be opened by you", "`sudo usermod -aG dialout $USER`, then log in again"),
            errno.EBUSY: taken,
            errno.EAGAIN: taken,
        }
        raise BoardError(*told.get(error.errno or 0, (f"{error}; {there}", plug_in))) from error
    return port
