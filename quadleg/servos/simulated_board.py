"""A PWM board with twelve servos in memory: it takes the bytes that the real one takes."""

from __future__ import annotations

import random
import struct
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import radians
from pathlib import Path

from quadleg.dynamics.servo_motors import SUPPLY_RESISTANCE, SupplyCurrentModel
from quadleg.errors import BoardError
from quadleg.hardware.board import SharedBus, always
from quadleg.hardware.pca9685 import PRE_SCALE, period_from_prescale
from quadleg.robot.model import JOINT_NAMES, Angles, RobotModel, Servo
from quadleg.servos.board_memory import BoardMemory
from quadleg.servos.pulse_conversion import pulse_from_counts
from quadleg.servos.servo_model import ServoModel
from quadleg.servos.simulated_pca9685 import SimulatedPca9685, reset_registers
from quadleg.servos.simulated_sensors import SIMULATED_IMUS, SIMULATED_SUPPLY_SENSORS, SimulatedChip, at_rest

# Where a cold servo stands is not known; legs placed by hand are about this near to rest.
FIRST_OFFSET = radians(12)


_SERVOS = len(JOINT_NAMES)
_NONE = (0.0,) * _SERVOS
# Angles in rad, time of the last change and of the last waking in s, until when the bus is broken, the largest share
# of its speed that a servo was asked for, until when a world moves the joints, registers.
_RECORD = struct.Struct(f"<{_SERVOS}d5d256s")
BROKEN = "no chip answers on the simulated bus, its wires are broken", "wait: they are whole again after a while"
_LEASE = 1.0  # s after its last word that a world still has the joints


@dataclass
class _State:
    """What is in the memory, brought to some time: see `_RECORD`."""

    angles: list[float]
    changed: float
    chip: SimulatedPca9685
    broken_until: float
    largest_step: float
    driven_until: float

    def packed(self) -> bytes:
        times = (self.changed, self.chip.woken, self.broken_until, self.largest_step, self.driven_until)
        return _RECORD.pack(*self.angles, *times, bytes(self.chip.registers))

    @classmethod
    def unpacked(cls, record: bytes, refused: list[str]) -> _State:
        *angles, changed, woken, broken_until, largest_step, driven_until, registers = _RECORD.unpack(record)
        return cls(
            angles,
            changed,
            SimulatedPca9685(bytearray(registers), woken, refused),
            broken_until,
            largest_step,
            driven_until,
        )


class SimulatedBoard(SharedBus):
    """The chip and the robot's twelve servos, in the order of `JOINT_NAMES`.

    Their state lives in the file `memory`, which outlives this process as the real chip does and which
    several processes may open at once. Without a file yet, the chip is fresh from its power-on reset and
    the servos stand at random, by `seed`, near the twelve angles `rest` (rad). `clock` gives seconds that
    never go back, the same for all processes. `refused` lists what this object wrote and the chip passed
    over. `horn_errors` (rad, by joint) says how far each horn went on from where the robot file has it, `turn_errors`
    the share that each servo turns more for a change of pulse.

    The sensors that the robot file names are on the bus too, in this process alone: `power`, which feels what the
    pose draws, and `imu`, at rest; None where there is none.

    Raises BoardError if the file cannot be opened or belongs to another robot.
    """

    def __init__(
        self,
        robot: RobotModel,
        rest: Angles,
        memory: Path | None = None,
        seed: int = 0,
        clock: Callable[[], float] = time.monotonic,
        horn_errors: Angles = _NONE,
        turn_errors: Angles = _NONE,
    ) -> None:
        self.refused: list[str] = []
        self._clock = clock
        self._oscillator = robot.board.clock
        self._path = memory
        self._channels = [joint.servo.channel for joint in robot.joints]
        self._scales = [(abs(joint.servo.pulse_per_radian), robot.no_load_speed(joint)) for joint in robot.joints]
        self._decoded: tuple[bytes, list[float | None]] = (b"", [])  # registers, and the pulses that they say
        self._models = [
            ServoModel(_hidden(joint.servo, horn, turn), robot.no_load_speed(joint))
            for joint, horn, turn in zip(robot.joints, horn_errors, turn_errors)
        ]

        def fresh() -> _State:
            chip = SimulatedPca9685(reset_registers(), 0.0, self.refused)
            return _State(placed_by_hand(robot, rest, seed), clock(), chip, 0.0, 0.0, 0.0)

        def unpacked(record: bytes) -> _State:
            return _State.unpacked(record, self.refused)

        owner = f"the robot {robot.name!r} on channels {', '.join(map(str, self._channels))}"
        self._memory = BoardMemory(memory, owner, _RECORD.size, _State.packed, unpacked, fresh)
        self._notice_reboot()
        self._robot = robot
        self._load = SupplyCurrentModel(robot)
        sensor, imu = robot.supply.sensor, robot.imu
        self.power = SIMULATED_SUPPLY_SENSORS[sensor.kind](sensor, self._drawn) if sensor else None
        self.imu = SIMULATED_IMUS[imu.kind](imu, at_rest(robot, seed)) if imu else None
        self._others: dict[int, SimulatedChip] = {}
        if sensor and self.power:
            self._others[sensor.address] = self.power
        if imu and self.imu:
            self._others[imu.address] = self.imu

    def write(self, *messages: bytes, valid: Callable[[], bool] = always) -> None:
        with self._memory.locked():
            if not valid():
                return
            now = self._clock()
            state = self._state_on_bus(now)
            before = self._pulses(state.chip)
            for message in messages:
                state.chip.write(message, now)
            state.largest_step = max(state.largest_step, self._step(before, self._pulses(state.chip)))
            self._store(state, now)

    def read(self, register: int, count: int) -> bytes:
        with self._memory.locked():
            return self._state_on_bus(self._clock()).chip.read(register, count)

    def write_to(self, address: int, messages: Sequence[bytes]) -> None:
        chip = self._other(address)
        for message in messages:
            chip.write(message)

    def read_from(self, address: int, register: int, count: int) -> bytes:
        return self._other(address).read(register, count)

    def _other(self, address: int) -> SimulatedChip:
        with self._memory.locked():
            if self._clock() < self._memory.load().broken_until:
                raise BoardError(*BROKEN)
        try:
            return self._others[address]
        except KeyError:
            raise BoardError(
                f"no chip answers at address 0x{address:02X} on the simulated bus",
                "describe the chip at that address in the robot file",
            ) from None

    def close(self) -> None:
        self._memory.close()

    def remove(self) -> None:
        """Close and delete the file: the orderly end of a simulation."""
        self.close()
        if self._path is not None:
            self._path.unlink(missing_ok=True)

    def registers(self) -> bytes:
        """The chip's 256 registers, seen from outside of its bus."""
        with self._memory.locked():
            return bytes(self._state(self._clock()).chip.registers)

    def angles(self, now: float | None = None) -> tuple[float, ...]:
        """The servos' true angles in rad, at the clock's time or at `now` in s."""
        with self._memory.locked():
            state = self._state(self._clock() if now is None else now)
        return tuple(state.angles)

    def pulses(self) -> tuple[float | None, ...]:
        """The pulses in s that the servos get now, None where there is none."""
        with self._memory.locked():
            now = self._clock()
            return self._pulses_at(self._state(now).chip, now)

    def powered(self) -> tuple[bool, ...]:
        """Which servos get pulses now and so hold their joints."""
        return tuple(pulse is not None for pulse in self.pulses())

    def power_loss(self) -> None:
        """The chip loses its power for a moment: registers as after reset, the servos limp where they are."""
        with self._memory.locked():
            now = self._clock()
            state = self._state(now)
            state.chip, state.driven_until = SimulatedPca9685(reset_registers(), 0.0, self.refused), 0.0
            self._store(state, now)

    def largest_step(self) -> float:
        """The largest step of a joint in one transaction so far, by the time in s that its servo takes for it."""
        with self._memory.locked():
            return self._state(self._clock()).largest_step

    def drive(self, angles: Angles) -> tuple[float | None, ...]:
        """A world of bodies that the servos move says where the joints are (rad); the pulses in s that they get.

        The servo models here move nothing as long as it does so at least once a second.
        """
        with self._memory.locked():
            now = self._clock()
            state = self._state(now)
            state.angles, state.driven_until = list(angles), now + _LEASE
            self._store(state, now)
            return self._pulses_at(state.chip, now)

    def was_driven(self) -> bool:
        """Whether a world has moved the joints since the chip's last reset."""
        with self._memory.locked():
            return self._state(self._clock()).driven_until > 0.0

    def break_bus(self, seconds: float) -> None:
        """The wires to the chip are broken for so long, for all processes; its outputs go on."""
        with self._memory.locked():
            now = self._clock()
            state = self._state(now)
            state.broken_until = now + seconds
            self._store(state, now)

    def place(self, angles: Angles) -> None:
        """A hand puts the joints that are limp at `angles` (rad), as before a power-up."""
        with self._memory.locked():
            now = self._clock()
            state = self._state(now)
            pulses = self._pulses(state.chip) if state.chip.start_of_pulses() is not None else [None] * _SERVOS
            state.angles = [to if pulse is None else at for at, to, pulse in zip(state.angles, angles, pulses)]
            self._store(state, now)

    def _notice_reboot(self) -> None:
        # The clock begins anew with the machine, and a machine that started anew had lost its power.
        with self._memory.locked():
            rebooted = self._memory.load().changed > self._clock()
        if rebooted:
            self.power_loss()

    def _state(self, now: float) -> _State:
        """What is stored, with the angles that the servos have come to by `now`."""
        state = self._memory.load()
        start = state.chip.start_of_pulses()
        if start is None or now <= max(start, state.changed, state.driven_until):
            return state
        duration = now - max(start, state.changed)
        angles = [
            model.advance(angle, pulse, duration)
            for model, angle, pulse in zip(self._models, state.angles, self._pulses(state.chip))
        ]
        return replace(state, angles=angles)

    def _state_on_bus(self, now: float) -> _State:
        state = self._state(now)
        if now < state.broken_until:
            raise BoardError(*BROKEN)
        return state

    def _store(self, state: _State, now: float) -> None:
        state.changed = now
        self._memory.store(state)

    def _step(self, before: list[float | None], after: list[float | None]) -> float:
        """The largest change of a pulse that stays, as a joint's turn in rad by its servo's speed: in s."""
        steps = [
            abs(b - a) / per_radian / speed
            for a, b, (per_radian, speed) in zip(before, after, self._scales)
            if a is not None and b is not None
        ]
        return max(steps, default=0.0)

    def _drawn(self) -> tuple[float, float]:
        """Volts and amperes of the servos' supply, by the pose."""
        with self._memory.locked():
            now = self._clock()
            state = self._state(now)
            pulses = self._pulses_at(state.chip, now)
        powered = [pulse is not None for pulse in pulses]
        rates = [
            (model.advance(angle, pulse, 1e-3) - angle) / 1e-3
            for model, angle, pulse in zip(self._models, state.angles, pulses)
        ]
        current = sum(self._load.currents(state.angles, rates, powered))
        return self._robot.supply.voltage - SUPPLY_RESISTANCE * current, current

    def _pulses_at(self, chip: SimulatedPca9685, now: float) -> tuple[float | None, ...]:
        start = chip.start_of_pulses()
        return tuple(self._pulses(chip) if start is not None and start <= now else [None] * _SERVOS)

    def _pulses(self, chip: SimulatedPca9685) -> list[float | None]:
        registers = bytes(chip.registers)
        if registers != self._decoded[0]:
            period = period_from_prescale(chip.registers[PRE_SCALE], self._oscillator)
            counts = chip.counts()
            pulses = [
                None if (count := counts[channel]) is None else pulse_from_counts(count, period)
                for channel in self._channels
            ]
            self._decoded = registers, pulses
        return self._decoded[1]


def _hidden(servo: Servo, horn: float, turn: float) -> Servo:
    """The servo as it truly is, with its horn's error in rad and the share that it turns more."""
    per_radian = servo.pulse_per_radian / (1 + turn)
    return replace(servo, pulse_at_zero=servo.pulse_at_zero - per_radian * horn, pulse_per_radian=per_radian)


def placed_by_hand(robot: RobotModel, rest: Angles, seed: int) -> list[float]:
    """Where the joints stand, by `seed`, after a person put the legs at the angles `rest` (rad)."""
    offsets = random.Random(seed)
    return [
        min(max(angle + offsets.uniform(-FIRST_OFFSET, FIRST_OFFSET), joint.lower), joint.upper)
        for joint, angle in zip(robot.joints, rest)
    ]
