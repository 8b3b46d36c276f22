"""The PCA9685 16-channel PWM controller: its registers, and the driver that writes them.

Names, addresses and values of registers and bits: NXP, PCA9685 data sheet, rev. 4, section 7.3.
"""

from __future__ import annotations

import struct
import time
from collections.abc import Callable, Mapping

from quadleg.errors import BoardError
from quadleg.hardware.board import Board, always
from quadleg.robot.model import BoardSettings

COUNTS = 4096  # of a period: NXP, PCA9685 data sheet, rev. 4, section 7.3.3

CHANNELS = 16

MODE1 = 0x00
MODE2 = 0x01
LED0_ON_L = 0x06
ALL_LED_ON_L = 0xFA
ALL_LED_OFF_H = 0xFD
PRE_SCALE = 0xFE

# MODE1
RESTART = 0x80
EXTCLK = 0x40
AI = 0x20
SLEEP = 0x10
ALLCALL = 0x01
# MODE2
INVRT = 0x10
OUTDRV = 0x04
# LEDn_ON_H means steadily on, LEDn_OFF_H steadily off; off goes before on
FULL = 0x10

PRE_SCALE_RANGE = (3, 255)
OSCILLATOR_START = 500e-6

# The four registers of a channel by its counts. The pulse begins with the period (ON = 0).
_REGISTERS: dict[int | None, bytes] = {
    None: bytes((0, 0, 0, FULL)),
    **{counts: struct.pack("<HH", 0, counts) for counts in range(1, COUNTS)},
}


def prescale_from_frequency(frequency: float, clock: float) -> int:
    """The PRE_SCALE value nearest to a PWM frequency, both in Hz (data sheet, section 7.3.5).

    Raises BoardError where the chip cannot go that slow or that fast.
    """
    prescale = round(clock / (COUNTS * frequency)) - 1
    low, high = PRE_SCALE_RANGE
    if not low <= prescale <= high:
        slowest, fastest = 1 / period_from_prescale(high, clock), 1 / period_from_prescale(low, clock)
        raise BoardError(
            f"a PWM frequency of {frequency:g} Hz is out of the PCA9685's reach with its clock at {clock / 1e6:g} MHz",
            f"{slowest:.1f} to {fastest:.1f} Hz would be right (50 for most servos)",
        )
    return prescale


def period_from_prescale(prescale: int, clock: float) -> float:
    """The true PWM period in s; `clock` in Hz (data sheet, section 7.3.5, solved for the period)."""
    return COUNTS * (prescale + 1) / clock


def counts_from_registers(on: int, off: int) -> int | None:
    """The counts a channel is high in each period; None where its output is steady.

    `on` and `off` are its two pairs of registers as 16-bit numbers (data sheet, section 7.3.3).
    """
    if (on | off) & FULL << 8:
        return None
    return (off - on) % COUNTS or None


class PCA9685:
    """One PCA9685 on a board. Channels are 0 to 15; counts are 1 to 4095 of 4096 a period.

    `sleep` waits so many seconds; simulated time brings its own. Every method raises BoardError where the
    board cannot carry the bytes. There is no table of PWM chips: whoever drives servos makes a PCA9685 (board_link.py,
    servo_pulses.py, stack_runner.py, rollout.py, timing.py), and servos/simulated_pca9685.py takes its bytes.
    """

    def __init__(self, board: Board, settings: BoardSettings, sleep: Callable[[float], None] = time.sleep) -> None:
        self._board = board
        self._address = settings.address
        self._sleep = sleep
        self._prescale = prescale_from_frequency(settings.frequency, settings.clock)
        self.period = period_from_prescale(self._prescale, settings.clock)

    def running(self) -> bool:
        """Whether the chip makes pulses as wanted: awake, auto-increment on, our period and output mode.

        It no longer does so after a loss of its power, though it still acknowledges every byte.
        """
        mode1 = self._read_register(MODE1)
        return (
            mode1 & (RESTART | EXTCLK | SLEEP | AI) == AI
            and self._read_register(MODE2) == OUTDRV
            and self._read_register(PRE_SCALE) == self._prescale
        )

    def start(self) -> bool:
        """Make the chip ready for `write`. True: it was found running, nothing was written, its pulses go on.

        False: it was initialised and all its outputs are off. Raises BoardError if it does not keep what
        is written.
        """
        # Twice, since nothing guards what is read: one disturbed bit must not drop a standing robot.
        if self.running() or self.running():
            return True
        self.all_off()
        # PRE_SCALE can be written in sleep only.
        for register, value in ((MODE1, SLEEP), (PRE_SCALE, self._prescale), (MODE2, OUTDRV), (MODE1, AI)):
            self._board.write(bytes((register, value)))
        self._sleep(OSCILLATOR_START)
        if not self.running():
            raise BoardError(
                f"the chip at address 0x{self._address:02X} does not keep what is written: it should be "
                f"a PCA9685 on its internal clock",
                "check `address`, the wiring, then cut its power once",
            )
        return False

    def write(self, counts: Mapping[int, int | None], valid: Callable[[], bool] = always) -> None:
        """Set channels to counts, or to off where None, in one transaction: they all change together.

        Channels not named keep what they have. Nothing is sent where `valid` says no in the moment before. Raises
        BoardError for a channel or counts out of range; then nothing is written.
        """
        messages: list[bytearray] = []
        following = None
        for channel in sorted(counts):
            if not 0 <= channel < CHANNELS:
                raise BoardError(f"there is no channel {channel}", f"0 to {CHANNELS - 1} would be right")
            if channel != following:
                messages.append(bytearray((LED0_ON_L + 4 * channel,)))
            try:
                messages[-1] += _REGISTERS[counts[channel]]
            except KeyError:
                raise BoardError(
                    f"channel {channel} cannot have {counts[channel]} counts",
                    f"1 to {COUNTS - 1} would be right, or None for no pulse",
                ) from None
            following = channel + 1
        if messages:
            self._board.write(*map(bytes, messages), valid=valid)

    def all_off(self) -> None:
        """No pulse on any channel, in the fewest bytes and whatever state the chip is in."""
        self._board.write(bytes((ALL_LED_OFF_H, FULL)))

    def cut(self) -> None:
        """No pulse on any channel, ahead of what is on its way; from any thread."""
        self._board.urgent(bytes((ALL_LED_OFF_H, FULL)))

    def read(self) -> dict[int, int | None]:
        """What the started chip holds: counts of every channel, None where it makes no pulse."""
        pairs = struct.iter_unpack("<HH", self._board.read(LED0_ON_L, 4 * CHANNELS))
        return {channel: counts_from_registers(on, off) for channel, (on, off) in enumerate(pairs)}

    def _read_register(self, register: int) -> int:
        return self._board.read(register, 1)[0]
