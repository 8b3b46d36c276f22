"""What of a robot's electronics this computer finds: buses, chips, ports, gamepads; each trouble with its cure.

Nothing is written to any chip: only the number of the register that is read goes out.
"""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from quadleg.errors import BoardError, GamepadError
from quadleg.hardware.board import Board
from quadleg.hardware.i2c_board import transfer_clocks
from quadleg.hardware.pca9685 import CHANNELS, LED0_ON_L, MODE1, MODE2, PRE_SCALE, PRE_SCALE_RANGE
from quadleg.hardware.sensor_kinds import SENSOR_ROLES, SensorKind, SensorRole, all_kinds
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import SIMULATED, BoardSettings, ImuChip, PowerSensor, RobotModel
from quadleg.servos.board_kinds import BOARD_KINDS, board_kind, open_board
from quadleg.teleop.gamepad import find_pad

FIRST, LAST = 0x08, 0x77  # addresses that are not reserved: UM10204, rev. 6, section 3.1.12

# Bits that read as 0: NXP, PCA9685 data sheet, rev. 4, tables 6 and 7.
_MODE2_ZEROS, _HIGH_ZEROS = 0xE0, 0xE0

SHORT, LONG = 1, 4 * CHANNELS  # bytes of the two reads whose times are compared
TIMED = 5  # reads of each
SLOWER = 0.7  # of the speed that the file gives: below it is another speed, not the gaps between bytes

_NOT_THERE = (errno.ENXIO, errno.EREMOTEIO, errno.EIO)


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at and what was found; `fine` is None where this robot does not need it."""

    about: str
    found: str
    fine: bool | None = True
    cure: str = ""


@dataclass(frozen=True)
class SerialPortInfo:
    """A serial port: its device, and what is plugged in there."""

    device: str
    words: str


def _open_bus(path: str) -> Any:
    from smbus2 import SMBus

    return SMBus(path)


def _ports() -> list[SerialPortInfo]:
    from serial.tools.list_ports import comports

    return [SerialPortInfo(port.device, port.description) for port in sorted(comports())]


def _pad() -> str:
    pad = find_pad()
    try:
        return pad.name
    finally:
        pad.close()


@dataclass(frozen=True)
class Computer:
    """What is asked of the computer; tests bring another one."""

    devices: Path = Path("/dev")
    allowed: Callable[[Path], bool] = lambda path: os.access(path, os.R_OK | os.W_OK)
    open_board: Callable[[RobotModel], Board] = lambda robot: open_board(robot, stance_angles(robot, robot.resting))
    open_bus: Callable[[str], Any] = _open_bus
    ports: Callable[[], list[SerialPortInfo]] = _ports
    pad: Callable[[], str] = _pad  # its name; raises GamepadError
    clock: Callable[[], float] = time.perf_counter


def findings(robot: RobotModel, computer: Computer | None = None) -> list[Finding]:
    """Everything that was looked at, in the order from the computer to the chips. Moves nothing, writes to no chip."""
    computer = computer or Computer()
    return [
        *_buses(robot, computer),
        *_serial_ports(robot, computer),
        *_chips(robot, computer),
        *_output_enable(robot, computer),
        _gamepad(computer),
    ]


def print_findings(found: Sequence[Finding]) -> None:
    """Print a table of them: what was looked at, what was found, and the cure where there is one."""
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table

    table = Table(title="Hardware", title_justify="left", box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for heading in ("looked at", "", "found", "what to do"):
        table.add_column(heading)
    marks = {True: "[green]fine", False: "[red]trouble", None: "-"}
    for finding in found:
        table.add_row(finding.about, marks[finding.fine], _plain(finding.found), _plain(finding.cure))
    Console().print(table)
    troubles = sum(finding.fine is False for finding in found)
    Console().print("All that this robot needs is there." if not troubles else f"Not fine: {troubles}.")


def _plain(text: str) -> str:
    from rich.markup import escape

    return escape(text)


# The computer


def _bus(robot: RobotModel, computer: Computer) -> Path | None:
    """The I2C bus that the robot's board is on; None for another kind of board."""
    number = board_kind(robot.board.kind).i2c_bus(robot.board)
    return None if number is None else computer.devices / f"i2c-{number}"


def _port(robot: RobotModel) -> Path | None:
    """The serial port that the robot's board is plugged into; None for another kind of board."""
    port = board_kind(robot.board.kind).serial_port(robot.board)
    return None if port is None else Path(port)


def _buses(robot: RobotModel, computer: Computer) -> Iterator[Finding]:
    wanted = _bus(robot, computer)
    needed = wanted is not None
    paths = sorted(computer.devices.glob("i2c-*"))
    if not paths:
        yield Finding(
            "I2C buses",
            f"none: there is no {computer.devices}/i2c-*",
            False if needed else None,
            "switch the bus on in the computer's boot settings, then `sudo modprobe i2c-dev`" if needed else "",
        )
        return
    names = ", ".join(map(str, paths))
    if needed and wanted not in paths:
        cure = "set board.i2c_bus to one of these, or switch that bus on in the boot settings"
        yield Finding("I2C buses", f"{names}, but not {wanted}", False, cure)
    else:
        yield Finding("I2C buses", names)
    closed = [path for path in paths if not computer.allowed(path)]
    if closed:
        may = f"{', '.join(map(str, closed))} may not be opened by you"
        cure = "`sudo usermod -aG i2c $USER`, then log in again"
        yield Finding("I2C permission", may, (wanted not in closed) if needed else None, cure)


def _serial_ports(robot: RobotModel, computer: Computer) -> Iterator[Finding]:
    wanted = _port(robot)
    needed = wanted is not None
    try:
        ports = computer.ports()
    except ImportError:
        pip = "`pip install -e '.[board]'` in quadleg's folder"
        yield Finding("serial ports", "pyserial is missing", False if needed else None, pip if needed else "")
        return
    devices = [port.device for port in ports]
    if not ports:
        cure = "plug the microcontroller in, with a cable that carries data" if needed else ""
        yield Finding("serial ports", "none", False if needed else None, cure)
        return
    names = ", ".join(f"{port.device} ({port.words})" for port in ports)
    # A name that links to a port, as those in /dev/serial/by-id, is a port as well.
    if wanted and os.path.realpath(wanted) not in map(os.path.realpath, devices):
        cure = "set board.port to one of these, or plug the microcontroller in"
        yield Finding("serial ports", f"{names}, but not {wanted}", False, cure)
    else:
        yield Finding("serial ports", names)
    closed = [device for device in devices if not computer.allowed(Path(device))]
    if closed:
        fine = os.path.realpath(wanted) not in map(os.path.realpath, closed) if wanted else None
        cure = "`sudo usermod -aG dialout $USER`, then log in again"
        yield Finding("serial permission", f"{', '.join(closed)} may not be opened by you", fine, cure)


def _output_enable(robot: RobotModel, computer: Computer) -> Iterator[Finding]:
    enable = robot.board.output_enable
    if enable is None:
        return
    about, chip = "output-enable", Path(enable.chip)
    if not chip.exists():
        there = ", ".join(map(str, sorted(computer.devices.glob("gpiochip*")))) or "none"
        cure = "set board.output_enable.gpio_chip to one that is there"
        yield Finding(about, f"{chip} is not there; GPIO chips that are: {there}", False, cure)
    elif not computer.allowed(chip):
        cure = "`sudo usermod -aG gpio $USER`, then log in again"
        yield Finding(about, f"{chip} may not be opened by you", False, cure)
    else:
        yield Finding(about, f"{chip}, line {enable.line}: not touched here")


def _gamepad(computer: Computer) -> Finding:
    try:
        return Finding("gamepad", computer.pad())
    except GamepadError as error:
        return Finding("gamepad", error.found, None, error.cure)


# The chips


def _chips(robot: RobotModel, computer: Computer) -> Iterator[Finding]:
    settings, bus = robot.board, _bus(robot, computer)
    if settings.simulated:
        cure = f"once there is one, set board.kind to {' or '.join(kind for kind in BOARD_KINDS if kind != SIMULATED)}"
        yield Finding("PWM board", "not looked for: the robot file has a simulated one", None, cure)
        return
    way = bus or _port(robot)
    if way and not (way.exists() and computer.allowed(way)):
        yield Finding("PWM board", f"not looked for, since {way} cannot be opened", False)
        return
    try:
        board = computer.open_board(robot)
    except BoardError as error:
        yield _trouble("PWM board", error)
    else:
        with board:
            found = _pwm_board(settings, board)
            yield found
            if bus and found.fine:
                yield from _bus_speed(robot, board, computer.clock)
            for role in SENSOR_ROLES:
                if chip := role.settings(robot):
                    yield _identity(role, chip, board)
    if bus:
        yield _scan(robot, bus, computer)


def _pwm_board(settings: BoardSettings, board: Board) -> Finding:
    about, where = "PWM board", f"0x{settings.address:02X}"
    try:
        for name, kind in all_kinds().items():
            if all(read == wanted for read, wanted in _identities(board, kind)):
                cure = "give it another address by its jumpers, or set board.address to those of the PWM board"
                return Finding(about, f"an {name} answers at {where}, no PCA9685", False, cure)
        mode1, mode2, prescale = (board.read(register, 1)[0] for register in (MODE1, MODE2, PRE_SCALE))
        # One byte a read: a chip that was not started yet does not go on to the next register by itself.
        highs = [board.read(LED0_ON_L + 4 * channel + 1, 1)[0] for channel in range(CHANNELS)]
    except BoardError as error:
        return _trouble(about, error)
    registers = f"MODE1 0x{mode1:02X}, PRE_SCALE 0x{prescale:02X}"
    if mode2 & _MODE2_ZEROS or prescale < PRE_SCALE_RANGE[0] or any(high & _HIGH_ZEROS for high in highs):
        cure = "set board.address to the jumpers of the PWM board, and give every chip an address of its own"
        return Finding(about, f"something else than a PCA9685 answers at {where}: {registers}", False, cure)
    return Finding(about, f"a PCA9685, as it seems, answers at {where}: {registers}")


def _bus_speed(robot: RobotModel, board: Board, clock: Callable[[], float]) -> Iterator[Finding]:
    about, wanted = "I2C speed", robot.board.bus_speed

    def seconds(count: int) -> float:
        times = []
        for _ in range(TIMED):
            begun = clock()
            board.read(LED0_ON_L, count)
            times.append(clock() - begun)
        return min(times)

    try:
        longer = seconds(LONG) - seconds(SHORT)
    except BoardError as error:
        yield _trouble(about, error)
        return
    # What the kernel and the driver take for each read is in both.
    clocks = transfer_clocks(2, 1 + LONG) - transfer_clocks(2, 1 + SHORT)
    if longer <= 0:
        yield Finding(about, "the times of reads are too uneven to tell", None, "look again when the computer is idle")
        return
    speed = clocks / longer
    frame = transfer_clocks(1, 1 + 4 * len(robot.joints)) / speed
    found = f"about {speed / 1000:.0f} kHz measured; a frame of twelve servos takes {1000 * frame:.2g} ms"
    if frame * robot.control_rate > 1:
        yield Finding(about, f"{found}, too long for {robot.control_rate:g} Hz", False, "lower control.rate_hz")
    elif speed < SLOWER * wanted:
        cure = f"set the bus to {wanted / 1000:g} kHz in the computer's boot settings, or write what is measured"
        yield Finding(about, f"{found}; board.bus_khz is {wanted / 1000:g}", False, cure)
    else:
        yield Finding(about, found)


def _scan(robot: RobotModel, path: Path, computer: Computer) -> Finding:
    """Who answers a read of one byte at each address of the robot's bus."""
    about = "I2C addresses"
    skipped = "skipped: this bus cannot be scanned"
    try:
        from smbus2 import i2c_msg

        bus = computer.open_bus(str(path))
    except ImportError:
        return Finding(about, skipped, None, "`pip install -e '.[board]'` in quadleg's folder")
    except OSError as error:
        return Finding(about, f"{skipped}, {error.strerror or error}", None)
    answer = []
    try:
        for address in range(FIRST, LAST + 1):
            try:
                bus.i2c_rdwr(i2c_msg.read(address, 1))
                answer.append(address)
            except OSError as error:
                if error.errno not in _NOT_THERE:
                    return Finding(about, f"{skipped}, {error.strerror or error}", None)
    finally:
        bus.close()
    names = {robot.board.address: "the PWM board", 0x70: "every PWM board, its all-call"}
    names |= {chip.address: f"the {role.name}" for role in SENSOR_ROLES if (chip := role.settings(robot))}
    shown = ", ".join(f"0x{address:02X}{f' ({names[address]})' if address in names else ''}" for address in answer)
    if not answer:
        cure = "check the logic supply of the chips, SDA, SCL, ground and pull-ups"
        return Finding(about, f"nothing answers on {path}", False, cure)
    return Finding(about, shown)


def _identity(role: SensorRole[Any], chip: PowerSensor | ImuChip, board: Board) -> Finding:
    about, kind, where = role.name, chip.kind, f"0x{chip.address:02X}"
    try:
        identities = _identities(board.neighbour(chip.address), role.kinds[kind])
    except BoardError as error:
        return _trouble(about, error)
    if any(read != wanted for read, wanted in identities):
        shown = " and ".join(
            f"0x{read.hex().upper()} in place of 0x{wanted.hex().upper()}" for read, wanted in identities
        )
        cure = "set its address in the robot file to that of its jumpers, and its kind to what it is"
        return Finding(about, f"what answers at {where} is no {kind}: it says {shown}", False, cure)
    return Finding(about, f"the {kind} answers at {where}")


def _identities(board: Board, kind: SensorKind[Any]) -> list[tuple[bytes, bytes]]:
    """What the registers that tell a kind of chip hold, each with what they would hold in such a chip."""
    return [(board.read(register, len(wanted)), wanted) for register, wanted in kind.identity]


def _trouble(about: str, error: BoardError) -> Finding:
    return Finding(about, error.found, False, error.cure)
