"""A PWM board on an I2C bus of this computer, through Linux's i2c-dev."""

from __future__ import annotations

import errno
import threading
from collections.abc import Callable
from typing import Any

from quadleg.errors import BoardError
from quadleg.hardware.board import Board, always
from quadleg.robot.model import BoardSettings

MOST_MESSAGES = 42  # Linux, include/uapi/linux/i2c-dev.h: I2C_RDWR_IOCTL_MAX_MSGS


def _open_bus(path: str, address: int) -> Any:
    try:
        from smbus2 import SMBus
    except ImportError as error:
        raise BoardError("a board on I2C needs smbus2", "pip install -e '.[board]' in quadleg's folder") from error
    bus: Any = SMBus(path)
    try:
        own(bus.fd, address)
    except OSError as error:
        bus.close()
        raise BoardError(
            f"another process drives the board at 0x{address:02X} on {path}", "end that `quadleg run` first"
        ) from error
    return bus


def own(file: int, address: int) -> None:
    """Makes this process the only quadleg at an address of an open bus, until it closes the bus or dies.

    The lock is on the byte of that number in the device's file, so that chips with other addresses are free.
    Raises OSError where another process has it.
    """
    import fcntl

    fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, address)


class _Bus:
    """An open bus, for one transaction at a time; the ways to all its chips share it."""

    def __init__(self, path: str, handle: Any) -> None:
        self.path = path
        self._handle = handle
        self._turn = threading.RLock()  # the bus is not closed under a transaction; a cut within one goes ahead

    def transfer(self, messages: list[Any], valid: Callable[[], bool]) -> None:
        with self._turn:
            if not valid():
                return
            if self._handle is None:
                raise BoardError(f"the board on {self.path} is closed", "open it again")
            self._handle.i2c_rdwr(*messages)

    def close(self) -> None:
        with self._turn:
            if self._handle is not None:
                self._handle.close()
                self._handle = None


class I2cChip(Board):
    """The way to the chip at one address of an open bus; `what` it is, for a person who looks for it."""

    def __init__(self, bus: _Bus, address: int, what: str) -> None:
        self._bus: _Bus | None = bus
        self._path = bus.path
        self._address = address
        self._what = what

    def write(self, *messages: bytes, valid: Callable[[], bool] = always) -> None:
        from smbus2 import i2c_msg

        if len(messages) > MOST_MESSAGES:
            raise BoardError(
                f"{len(messages)} messages are too many for one transaction", f"send {MOST_MESSAGES} at most"
            )
        self._transfer([i2c_msg.write(self._address, message) for message in messages], valid)

    def read(self, register: int, count: int) -> bytes:
        from smbus2 import i2c_msg

        answer: Any = i2c_msg.read(self._address, count)
        self._transfer([i2c_msg.write(self._address, [register]), answer])
        return bytes(list(answer))

    def neighbour(self, address: int) -> Board:
        return I2cChip(self._shared(), address, "chip")

    def close(self) -> None:
        self._bus = None

    def _shared(self) -> _Bus:
        bus = self._bus
        if bus is None:
            raise BoardError(f"the {self._what} on {self._path} is closed", "open it again")
        return bus

    def _transfer(self, messages: list[Any], valid: Callable[[], bool] = always) -> None:
        try:
            self._shared().transfer(messages, valid)
        except OSError as error:
            raise _board_error(error, self._path, self._address, self._what) from error


class I2cBoard(I2cChip):
    """The chip at the robot file's address on `/dev/i2c-<i2c_bus>`.

    All messages of a `write` are one transaction, joined by repeated start conditions (UM10204, rev. 6,
    section 3.1.10; unverified: the number). An SMBus block would end at 32 bytes; a plain transfer does not.

    Raises BoardError, with the cure, where the bus cannot be opened.
    """

    def __init__(self, settings: BoardSettings, open_bus: Callable[[str, int], Any] = _open_bus) -> None:
        path = f"/dev/i2c-{settings.i2c_bus}"
        try:
            handle = open_bus(path, settings.address)
        except OSError as error:
            raise _board_error(error, path, settings.address, "board") from error
        super().__init__(_Bus(path, handle), settings.address, "board")

    def close(self) -> None:
        if self._bus is not None:
            self._bus.close()
        super().close()


def _board_error(error: OSError, path: str, address: int, what: str) -> BoardError:
    where = f"address 0x{address:02X} on {path}"
    silent = (
        f"no chip answers at {where}",
        f"check the logic supply of the {what}, SDA, SCL and ground, the address jumpers; "
        f"`i2cdetect -y {path.rpartition('-')[2]}` shows who is there",
    )
    told = {
        errno.ENOENT: (
            f"{path} is not there",
            "switch the I2C bus on in the computer's boot settings, load its driver with `sudo modprobe i2c-dev`, and "
            "see `board.i2c_bus` in the robot file",
        ),
        errno.EACCES: (f"{path} may not be opened by you", "`sudo usermod -aG i2c $USER`, then log in again"),
        errno.ETIMEDOUT: (f"{path} does not move, SDA or SCL is held low", "check the wiring and the pull-ups"),
        errno.EIO: (
            f"a transfer to {where} failed",
            "check the plugs, keep the wires short, or lower the bus speed",
        ),
        errno.EAGAIN: (f"{path} is taken, by two masters on one bus or a disturbance", "check the wiring"),
        errno.ENXIO: silent,
        errno.EREMOTEIO: silent,
        errno.ENODEV: silent,
    }
    other = f"{path}: {error.strerror or error}", "check the plugs and the bus"
    return BoardError(*told.get(error.errno or 0, other))


def transfer_clocks(messages: int, data_bytes: int) -> int:
    """How many clocks of the bus a transaction of some messages with so many bytes in all takes.

    Nine a byte, the address of each message included; one for each start and one for the stop (UM10204, rev. 6,
    sections 3.1.4 to 3.1.6; unverified: the numbers).
    """
    return 9 * (messages + data_bytes) + messages + 1
