"""The simulated chip against NXP's PCA9685 data sheet, rev. 4. Bytes are written out, not imported."""

from __future__ import annotations

import pytest

from quadleg.servos.simulated_pca9685 import SimulatedPca9685, reset_registers

AWAKE = bytes((0x00, 0x20))
PULSE_ON_CHANNEL_0 = bytes((0x06, 0, 0, 0x2C, 0x01))


@pytest.fixture
def chip() -> SimulatedPca9685:
    return SimulatedPca9685(reset_registers(), woken=0.0, refused=[])


@pytest.fixture
def running(chip: SimulatedPca9685) -> SimulatedPca9685:
    """Awake since 0 s, with 300 counts on channel 0."""
    chip.write(AWAKE, 0.0)
    chip.write(PULSE_ON_CHANNEL_0, 0.001)
    return chip


def test_reset_values(chip: SimulatedPca9685) -> None:
    # Data sheet, table 4 to table 9.
    assert chip.registers[:6] == bytes((0x11, 0x04, 0xE2, 0xE4, 0xE8, 0xE0))
    assert chip.registers[0x06:0x46] == bytes((0, 0, 0, 0x10)) * 16
    assert chip.registers[0xFE] == 0x1E
    assert chip.start_of_pulses() is None


def test_without_auto_increment_the_pointer_stays(chip: SimulatedPca9685) -> None:
    chip.write(bytes((0x06, 1, 2, 3)), 0.0)
    assert chip.registers[0x06:0x0A] == bytes((3, 0, 0, 0x10))
    assert chip.read(0x06, 3) == bytes((3, 3, 3))
    assert chip.refused == ["register 0x06: 3 bytes all went there, auto-increment is off"]


def test_auto_increment_holds_from_the_byte_that_sets_it(chip: SimulatedPca9685) -> None:
    # Figure "write to all registers using the auto-increment feature; AI initially clear".
    chip.write(bytes((0x00, 0x20, 0x05)), 0.0)
    assert chip.registers[:2] == bytes((0x20, 0x05))
    assert chip.refused == []


@pytest.mark.parametrize("last", [0x45, 0xFE])
def test_auto_increment_rolls_over_to_mode1(chip: SimulatedPca9685, last: int) -> None:
    # Data sheet, remark under table 3.
    chip.write(AWAKE, 0.0)
    assert chip.read(last, 3)[1:] == bytes((0x20, 0x04))


def test_prescale_is_blocked_unless_asleep(chip: SimulatedPca9685) -> None:
    # Table 4, note 1.
    chip.write(AWAKE, 0.0)
    chip.write(bytes((0xFE, 121)), 0.0)
    assert chip.registers[0xFE] == 0x1E
    assert chip.refused == ["PRE_SCALE is written in sleep only"]
    chip.write(bytes((0x00, 0x30)), 0.0)
    chip.write(bytes((0xFE, 121)), 0.0)
    assert chip.registers[0xFE] == 121


def test_prescale_is_at_least_3(chip: SimulatedPca9685) -> None:
    # Section 7.3.5.
    chip.write(bytes((0xFE, 2)), 0.0)
    assert chip.registers[0xFE] == 3
    assert chip.refused == ["PRE_SCALE 2 is below 3"]


@pytest.mark.parametrize("register", [0x46, 0x80, 0xF9, 0xFF])
def test_reserved_registers_keep_nothing(chip: SimulatedPca9685, register: int) -> None:
    chip.write(bytes((register, 0x55)), 0.0)
    assert chip.registers[register] == 0
    assert chip.refused == [f"register 0x{register:02X} is reserved"]


def test_bits_that_are_read_only_keep_nothing(chip: SimulatedPca9685) -> None:
    for register in (0x01, 0x02, 0x07, 0x09):
        chip.write(bytes((register, 0xFF)), 0.0)
    assert [chip.registers[register] for register in (0x01, 0x02, 0x07, 0x09)] == [0x1F, 0xFE, 0x1F, 0x1F]


def test_all_led_reaches_every_channel_and_reads_as_zero(chip: SimulatedPca9685) -> None:
    chip.write(AWAKE, 0.0)
    chip.write(bytes((0xFA, 1, 2, 3, 4)), 0.0)
    assert chip.registers[0x06:0x46] == bytes((1, 2, 3, 4)) * 16
    assert chip.read(0xFA, 4) == bytes(4)


def test_all_led_off_h_alone_stops_every_channel(running: SimulatedPca9685) -> None:
    running.write(bytes((0xFD, 0x10)), 0.002)
    assert running.counts() == [None] * 16


def test_pulses_begin_500_us_after_sleep(chip: SimulatedPca9685) -> None:
    # Table 5, note on SLEEP.
    chip.write(AWAKE, 7.0)
    assert chip.start_of_pulses() == 7.0 + 500e-6


@pytest.mark.parametrize(
    ("registers", "counts"),
    [
        ((0, 0, 0x2C, 0x01), 300),
        ((0x99, 0x01, 0xCC, 0x04), 819),  # section 7.3.3, example 1
        ((0, 0x10, 0x2C, 0x01), None),  # full on
        ((0, 0, 0x2C, 0x11), None),  # full off
        ((0, 0, 0, 0), None),
    ],
)
def test_what_a_channel_puts_out(running: SimulatedPca9685, registers: tuple[int, ...], counts: int | None) -> None:
    running.write(bytes((0x0A, *registers)), 0.01)
    assert running.counts()[1] == counts


def test_inverted_outputs(running: SimulatedPca9685) -> None:
    # Table 6, INVRT.
    running.write(bytes((0x01, 0x14)), 0.01)
    assert running.counts()[0] == 4096 - 300


class TestRestart:
    """Section 7.3.1.1 and table 5."""

    def test_sleep_of_a_running_chip_sets_it(self, running: SimulatedPca9685) -> None:
        running.write(bytes((0x00, 0x30)), 0.01)
        assert running.registers[0x00] == 0xB0

    def test_sleep_after_an_orderly_end_does_not(self, running: SimulatedPca9685) -> None:
        running.write(bytes((0xFD, 0x10)), 0.01)
        running.write(bytes((0x00, 0x30)), 0.01)
        assert running.registers[0x00] == 0x30

    @pytest.fixture
    def woken(self, running: SimulatedPca9685) -> SimulatedPca9685:
        """Awake again since 1 s, still waiting for the restart."""
        running.write(bytes((0x00, 0x30)), 0.01)
        running.write(bytes((0x00, 0x20)), 1.0)
        assert running.registers[0x00] == 0xA0
        assert running.start_of_pulses() is None
        return running

    def test_writing_one_restarts_the_outputs(self, woken: SimulatedPca9685) -> None:
        woken.write(bytes((0x00, 0xA0)), 1.0006)
        assert woken.registers[0x00] == 0x20
        assert woken.start_of_pulses() is not None
        assert woken.counts()[0] == 300
        assert woken.refused == []

    def test_writing_one_too_early_does_nothing(self, woken: SimulatedPca9685) -> None:
        woken.write(bytes((0x00, 0xA0)), 1.0004)
        assert woken.registers[0x00] == 0xA0
        assert woken.refused == ["RESTART is answered only 500 us after SLEEP was cleared"]

    def test_writing_zero_does_nothing(self, woken: SimulatedPca9685) -> None:
        woken.write(bytes((0x00, 0x20)), 1.1)
        assert woken.registers[0x00] == 0xA0

    @pytest.mark.parametrize("message", [PULSE_ON_CHANNEL_0, bytes((0xFD, 0x10))])
    def test_writing_a_channel_clears_it(self, woken: SimulatedPca9685, message: bytes) -> None:
        woken.write(message, 1.1)
        assert woken.registers[0x00] == 0x20

    def test_writing_one_when_it_is_clear_does_nothing(self, running: SimulatedPca9685) -> None:
        running.write(bytes((0x00, 0xA0)), 0.01)
        assert running.registers[0x00] == 0x20
        assert running.refused == []


class TestExternalClock:
    """Table 5, EXTCLK; no clock is wired to the pin here."""

    def test_it_is_set_in_sleep_only(self, running: SimulatedPca9685) -> None:
        running.write(bytes((0x00, 0x60)), 0.01)
        assert running.registers[0x00] == 0x20
        assert running.refused == ["EXTCLK is set in sleep only"]

    def test_it_stays_and_stops_the_pulses(self, chip: SimulatedPca9685) -> None:
        chip.write(bytes((0x00, 0x50)), 0.0)
        chip.write(AWAKE, 0.0)
        assert chip.registers[0x00] == 0x60
        assert chip.start_of_pulses() is None
