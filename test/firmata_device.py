"""A microcontroller with stock Firmata firmware on a pseudo-terminal, and a simulated board on its I2C.

Written against the protocol's protocol.md and i2c.md and against the stock firmware's public source (StandardFirmata
2.5), not against our own encoder, so that it shows what that gets wrong.
"""

from __future__ import annotations

import os
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace

from quadleg.errors import BoardError
from quadleg.hardware.board import Board
from quadleg.hardware.serial_board import SerialBoard
from quadleg.robot.model import Angles, BoardSettings, RobotModel
from quadleg.servos.simulated_board import SimulatedBoard

SYSEX_BUFFER = 64
WIRE_BUFFER = 32
LONG = 10.0  # s, for what comes at once unless something is broken


class FirmataDevice:
    """Listens on `path` until it is closed. Everything public may be changed while it runs.

    `writes` are the I2C writes, register first; `reads` the registers and counts asked for; `payloads` the lengths of
    the sysex messages.
    """

    def __init__(self, board: SimulatedBoard, address: int = 0x40) -> None:
        self.board = board
        self.address = address  # of the chip on its I2C
        self.version = (2, 5)
        self.name = "StandardFirmata.ino"
        self.received = bytearray()
        self.writes: list[bytes] = []
        self.reads: list[tuple[int, int]] = []
        self.payloads: list[int] = []
        self.silent = False  # takes all and answers nothing
        self.babbles = False  # sends what is no Firmata
        self.says_nothing_of_itself = False  # no firmware report
        self.boots_at_query = 0  # the how-manieth version query finds the boot loader done
        self.to_lose: list[int] = []  # bytes that the line loses once, on the way here
        self.to_lose_back: list[int] = []  # and on the way back
        self._news = threading.Condition()
        self._gone = False
        self._held: bytearray | None = None
        self._configured = False
        self._message: bytearray | None = None
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def settings(self, settings: BoardSettings, baud: int = 57600) -> BoardSettings:
        """The settings of a robot file that would find this device."""
        return replace(settings, kind="serial", port=self.path, baud=baud)

    def wait(self, condition: Callable[[], bool]) -> None:
        """Until something is so, looked at after each message."""
        with self._news:
            assert self._news.wait_for(condition, LONG), "the device never came there"

    def hold(self) -> None:
        """From now on all answers are late."""
        with self._news:
            self._held = bytearray()

    def release(self) -> None:
        """The late answers come, and from now on all come at once."""
        with self._news:
            held, self._held = self._held, None
            self.say(held or b"")

    def say(self, data: bytes) -> None:
        """Send these bytes as they are."""
        os.write(self._master, data)

    def restart(self) -> None:
        """As after a dip of its supply."""
        self._configured = False
        self._message = None
        self._report()

    def vanish(self) -> None:
        """The cable is pulled. Also the orderly end; twice does no harm."""
        if self._gone:
            return
        self._gone = True
        # This wakes the thread from its read.
        os.write(self._slave, b"\0")
        self._thread.join(LONG)
        os.close(self._slave)
        os.close(self._master)

    def _run(self) -> None:
        while True:
            received = os.read(self._master, 1024)
            if self._gone:
                return
            with self._news:
                for byte in received:
                    if byte in self.to_lose:
                        self.to_lose.remove(byte)
                        continue
                    self.received.append(byte)
                    self._parse(byte)
                    self._news.notify_all()

    def _parse(self, byte: int) -> None:
        """As the firmware's parser: in a sysex message all but its end is data."""
        if self.boots_at_query > 0:
            if byte == 0xF9:
                self.boots_at_query -= 1
                if self.boots_at_query == 0:
                    self.restart()
            return
        if self._message is not None:
            if byte == 0xF7:
                message, self._message = self._message, None
                self.payloads.append(len(message))
                self._sysex(message[:SYSEX_BUFFER])
            else:
                self._message.append(byte)
        elif byte == 0xF0:
            self._message = bytearray()
        elif byte == 0xF9:
            self._send(bytes((0xF9, *self.version)))

    def _sysex(self, message: bytearray) -> None:
        if message == b"\x79":
            self._report_firmware()
        elif message[0] == 0x78:
            self._configured = True
        # Without its configuration the firmware hangs in its I2C library.
        elif message[0] == 0x76 and self._configured:
            data = bytes(low + (high << 7) & 0xFF for low, high in zip(message[3::2], message[4::2]))
            mode = message[2] & 0x18
            if mode == 0x00:
                self._write(message[1], data[:WIRE_BUFFER])
            elif mode == 0x08:
                self._read(message[1], *data)

    def _write(self, address: int, data: bytes) -> None:
        self.writes.append(data)
        # Nothing tells of a write that nobody took.
        with suppress(BoardError):
            self._chip(address).write(data)

    def _chip(self, address: int) -> Board:
        return self.board if address == self.address else self.board.neighbour(address)

    def _read(self, address: int, register: int, count: int) -> None:
        self.reads.append((register, count))
        values = b""
        try:
            values = self._chip(address).read(register, count)
        except BoardError:
            self._send_sysex(0x71, b"I2C: Too few bytes received")
        self._send_sysex(0x77, bytes((address, register)) + values)

    def _report(self) -> None:
        self._send(bytes((0xF9, *self.version)))
        self._report_firmware()

    def _report_firmware(self) -> None:
        if not self.says_nothing_of_itself:
            self._send_sysex(0x79, self.name.encode(), bytes(self.version))

    def _send_sysex(self, command: int, data: bytes, head: bytes = b"") -> None:
        halves = bytes(half for byte in data for half in (byte & 0x7F, byte >> 7))
        self._send(bytes((0xF0, command)) + head + halves + b"\xf7")

    def _send(self, data: bytes) -> None:
        if self.babbles:
            data = b"t = 21.5 C\r\n"
        sent = bytearray()
        for byte in data:
            if byte in self.to_lose_back:
                self.to_lose_back.remove(byte)
            else:
                sent.append(byte)
        if self.silent:
            return
        if self._held is None:
            self.say(sent)
        else:
            self._held += sent


@contextmanager
def board_on_device(robot: RobotModel, rest: Angles) -> Iterator[Board]:
    """A serial board whose device stays there as long as it."""
    device = FirmataDevice(SimulatedBoard(robot, rest), robot.board.address)
    try:
        with SerialBoard(device.settings(robot.board)) as board:
            yield board
    finally:
        device.vanish()
