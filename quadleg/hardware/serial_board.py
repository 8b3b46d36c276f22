"""A PWM board on the I2C pins of a microcontroller with stock Firmata firmware, on a serial port of this computer."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from itertools import cycle

from quadleg.errors import BoardError
from quadleg.hardware.board import SharedBus, always
from quadleg.hardware.firmata import (
    END_OF_ANY,
    I2C_CONFIGURATION,
    OLDEST_VERSION,
    VERSION_AND_FIRMWARE_QUERY,
    Decoder,
    Firmware,
    I2CReply,
    Message,
    Text,
    Version,
    i2c_read,
    i2c_write,
)
from quadleg.hardware.pca9685 import LED0_ON_L
from quadleg.hardware.serial_port import SerialPort, open_port
from quadleg.robot.model import BoardSettings

# Data bytes of one I2C transfer: seven channels. With the register and each byte as two, 61 of the 64 bytes that the
# firmware keeps of a message, and 29 of its 32 bytes for I2C.
MOST_DATA = 28

# All in s.
PATIENCE = 5.0  # a microcontroller that restarts as its port opens takes 3 to 4
ASK_AGAIN = 0.5
ANSWER = 0.5
URGENT_ANSWER = 0.2

# SUBADR1 to 3 and ALLCALLADR, which the driver has no use for (NXP, PCA9685 data sheet, rev. 4, table 4). A reply's
# only mark is its register: with another one for each acknowledgement, a late reply is not taken for the next.
ACKNOWLEDGING = (0x02, 0x03, 0x04, 0x05)

BITS_PER_BYTE = 10  # on the line: start, eight of data, stop

Trouble = tuple[str, str]  # what is found, and its cure


def chunks(message: bytes) -> Iterator[bytes]:
    """Split a message, a register's address and then data, into such messages of at most `MOST_DATA` bytes of data.

    Each ends with a whole channel, so that no pulse is made of an old and a new half. A message that has to be split
    must rely on auto-increment, as those to many channels do.
    """
    register, data = message[0], message[1:]
    while len(data) > MOST_DATA:
        size = MOST_DATA - (register - LED0_ON_L) % 4
        yield bytes((register,)) + data[:size]
        register, data = register + size, data[size:]
    yield bytes((register,)) + data


class SerialBoard(SharedBus):
    """The chip at the robot file's address, behind the serial port `port` at `baud` bits a second.

    The firmware answers no write, so each `write` ends with a read of one register, whose reply says that the
    microcontroller and the chip have taken it. So one frame at most is under way, and a silent link is noticed.

    What it costs: twelve neighbouring channels are 119 bytes (63 and 47, and 9 to ask for the reply of 9), which take
    20.7 ms at 57600 baud (10 bits a byte); with the last channels on I2C and the reply about 24 ms, or 40 frames a
    second: worked out, not measured. Each further group of neighbouring channels costs 7 bytes, 1.2 ms; one channel
    alone is 15 bytes and the 9. The firmware's buffers hold seven channels, so twelve change in two steps, the last
    five about 8 ms after the first seven. The protocol has no check sum.

    After most errors the next `write` or `read` first throws away what is answered late. When the port is gone or the
    microcontroller started anew, a new SerialBoard is needed; it works whether or not the firmware restarted.

    Raises BoardError, with the cure, where the port cannot be opened, where nothing speaks the protocol there within
    `patience` (s), and where the chip does not answer.
    """

    def __init__(
        self,
        settings: BoardSettings,
        open_port: Callable[[str, int], SerialPort] = open_port,
        patience: float = PATIENCE,
    ) -> None:
        self._name = settings.port
        self._address = settings.address
        self._baud = settings.baud
        self._turn = threading.Lock()  # for a write or read as a whole
        self._sending = threading.Lock()  # for the bytes that must stay together
        self._news = threading.Condition()  # of all below
        self._heard = 0
        self._version: Version | None = None
        self._firmware: Firmware | None = None
        self._text = ""
        self._replies: dict[tuple[int, int], bytes] = {}  # by address and register
        self._urgent = 0
        self._settled = False
        self._ready = False
        self._over: Trouble | None = None  # why no more can be done
        self._acknowledging = cycle(ACKNOWLEDGING)
        self._port = open_port(self._name, self._baud)
        self._listener = threading.Thread(target=self._listen, name=f"serial board {self._name}", daemon=True)
        self._listener.start()
        try:
            self._shake_hands(patience)
        except BaseException:
            self.close()
            raise
        self._ready = True

    def write(self, *messages: bytes, valid: Callable[[], bool] = always) -> None:
        """Send messages, each a register's address and then data, in chunks of at most seven channels, in this order.

        Returns when the chip has them all. Raises BoardError if it did not take them in time, or if `urgent` went
        ahead; then nothing more of them is sent.
        """
        begun = self._urgent
        requests = [i2c_write(self._address, chunk) for message in messages for chunk in chunks(message)]
        with self._turn:
            # What makes it invalid later sends an urgent message, which goes ahead of a write that began before.
            if not valid():
                return
            self._settle(begun)
            self._settled = False
            for request in requests[:-1]:
                self._send(request, begun)
                # What the computer has taken cannot be overtaken, so it gets the next when this one has left it.
                self._wait(lambda: False, len(request) * BITS_PER_BYTE / self._baud, begun)
            self._acknowledge(b"".join(requests[-1:]), ANSWER, begun)
            self._settled = True

    def urgent(self, message: bytes) -> None:
        """Send one message ahead of all that waits, from any thread; an unfinished `write` ends with BoardError.

        Takes no longer than 0.2 s. Raises BoardError if the chip has not confirmed it by then.
        """
        with self._news:
            self._urgent += 1
            self._news.notify_all()
        requests = b"".join(i2c_write(self._address, chunk) for chunk in chunks(message))
        self._acknowledge(END_OF_ANY + requests, URGENT_ANSWER)

    def read(self, register: int, count: int) -> bytes:
        return self.read_from(self._address, register, count)

    def write_to(self, address: int, messages: Sequence[bytes]) -> None:
        """Send messages of at most `MOST_DATA` bytes of data."""
        with self._turn:
            self._settle()
            self._settled = False
            for message in messages:
                # Nothing else tells of a write that was not acknowledged.
                self._ask(i2c_write(address, message), message[0], 1, ANSWER, address=address)
            self._settled = True

    def read_from(self, address: int, register: int, count: int) -> bytes:
        values = b""
        with self._turn:
            self._settle()
            self._settled = False
            while len(values) < count:
                part = min(count - len(values), MOST_DATA)
                values += self._ask(b"", register + len(values), part, ANSWER, address=address)
            self._settled = True
        return values

    def close(self) -> None:
        self._end((f"the board on {self._name} is closed", "open it again"))
        # A port that is gone may fail in anything.
        with suppress(OSError):
            self._port.cancel_read()
        self._listener.join()
        with self._sending, suppress(OSError):
            self._port.close()

    def _shake_hands(self, patience: float) -> None:
        deadline = time.monotonic() + patience
        while not (self._version and self._firmware):
            left = deadline - time.monotonic()
            if left <= 0:
                answers = bool(self._version or self._firmware)
                raise _no_firmata(self._name, self._baud, patience, bool(self._heard), answers)
            self._send(END_OF_ANY + VERSION_AND_FIRMWARE_QUERY)
            self._wait(lambda: self._version is not None and self._firmware is not None, min(left, ASK_AGAIN))
            if trouble := self._trouble():
                raise BoardError(*trouble)
        if self._version < OLDEST_VERSION:
            raise BoardError(
                f"the firmware {self._firmware.name} on {self._name} speaks Firmata {self._version.major}."
                f"{self._version.minor}, which knows no I2C",
                "flash the current stock Firmata firmware",
            )
        self._send(I2C_CONFIGURATION)
        self._settle()

    def _settle(self, begun: int | None = None) -> None:
        """After an error, let all late replies go by: replies come in the order of the requests."""
        if not self._settled:
            self._acknowledge(END_OF_ANY, ANSWER, begun)
            self._settled = True

    def _acknowledge(self, data: bytes, patience: float, begun: int | None = None) -> None:
        with self._news:
            register = next(self._acknowledging)
        self._ask(data, register, 1, patience, begun)

    def _ask(
        self,
        data: bytes,
        register: int,
        count: int,
        patience: float,
        begun: int | None = None,
        address: int | None = None,
    ) -> bytes:
        """Send data and a request for registers behind it; what they hold. Raises BoardError, also if overtaken.

        The registers are those of our chip, or of another at `address`.
        """
        deadline = time.monotonic() + patience
        address = self._address if address is None else address
        key = address, register
        with self._news:
            self._replies.pop(key, None)
            self._text = ""
        self._send(data + i2c_read(address, register, count), begun)
        self._wait(lambda: key in self._replies, deadline - time.monotonic(), begun)
        with self._news:
            reply, text = self._replies.pop(key, None), self._text
        said = f" (the firmware says {text!r})" if text else ""
        if reply is None:
            silent = (
                f"the microcontroller on {self._name} did not answer within {patience:g} s{said}",
                "check its cable, and that SDA and SCL touch nothing else, which would hang it; then press its reset "
                "button",
            )
            raise BoardError(*(self._trouble(begun) or silent))
        if len(reply) != count:
            whose = "PWM board's logic" if address == self._address else "chip"
            raise BoardError(
                f"no chip answers at address 0x{address:02X} behind {self._name}{said}",
                f"check the power of the {whose}, SDA, SCL and ground to the microcontroller, and `address` in the "
                f"robot file",
            )
        return reply

    def _send(self, data: bytes, begun: int | None = None) -> None:
        with self._sending:
            if trouble := self._trouble(begun):
                raise BoardError(*trouble)
            try:
                self._port.write(data)
            except OSError as error:
                self._end(_gone(self._name, error))
                raise BoardError(*_gone(self._name, error)) from error

    def _wait(self, condition: Callable[[], bool], patience: float, begun: int | None = None) -> None:
        """Wait until something is so, or cannot become so, or for `patience` (s)."""
        with self._news:
            self._news.wait_for(lambda: condition() or bool(self._trouble(begun)), max(patience, 0.0))

    def _trouble(self, begun: int | None = None) -> Trouble | None:
        """Why what began after `begun` urgent messages cannot go on."""
        if self._over or begun is None or begun == self._urgent:
            return self._over
        return "an urgent message went ahead of what was on its way, of which nothing more is sent", "send it again"

    def _end(self, why: Trouble) -> None:
        with self._news:
            self._over = why
            self._news.notify_all()

    def _listen(self) -> None:
        decoder = Decoder()
        while not self._over:
            try:
                received = self._port.read(self._port.in_waiting or 1)
            except OSError as error:
                if not self._over:
                    self._end(_gone(self._name, error))
                return
            with self._news:
                self._heard += len(received)
                for message in decoder.feed(received):
                    self._take(message)
                self._news.notify_all()

    def _take(self, message: Message) -> None:
        if isinstance(message, I2CReply):
            self._replies[message.address, message.register] = message.data
        elif isinstance(message, Text):
            self._text = message.text
        elif isinstance(message, Firmware):
            self._firmware = message
        elif self._ready:
            self._over = (
                f"the microcontroller on {self._name} started anew",
                "check its supply, then open the board again",
            )
        else:
            self._version = message


def _gone(name: str, error: OSError) -> Trouble:
    return f"the serial port {name} is gone ({error})", "plug its cable in, then open the board again"


def _no_firmata(name: str, baud: int, patience: float, heard: bool, answers: bool) -> BoardError:
    """The error of a port on which nothing speaks the protocol; `heard`: bytes come, `answers`: some of them fit."""
    flash = "flash the stock Firmata firmware onto the microcontroller"
    if answers:
        return BoardError(f"the firmware on {name} answers only half of what Firmata asks", flash)
    if heard:
        return BoardError(
            f"what comes from {name} is no Firmata at {baud} baud",
            f"set `baud` in the robot file as the firmware has it (stock: 57600), or {flash}",
        )
    return BoardError(f"nothing answers on {name} within {patience:g} s", f"see that it is the right port, or {flash}")
