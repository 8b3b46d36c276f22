"""What may become of the PWM board and its bus: writes without an acknowledge, a broken or stuck bus, no power."""

from __future__ import annotations

from math import inf
from typing import Any

from quadleg.middleware.simulated_bus import BusPublisher
from quadleg.servos.board_link import LONGEST_PAUSE
from quadleg.teleop.stack_link import Service
from simulated_graph.deadline_judge import UPSET_AFTER
from simulated_graph.happening_kinds import Kind, Scene, only_seconds

SITS_AFTER = 0.3  # s


def _refuse_writes(scene: Scene, count: int) -> None:
    scene.stack.bus_faults.refused += count


def _refuse_at_change(scene: Scene, count: int, sits: bool) -> None:
    """The next writes that give or take power get no acknowledge."""
    bus, faults = scene.stack.bus, scene.stack.bus_faults
    named: set[int] = set()

    def watch(publisher: BusPublisher, message: Any) -> None:
        if publisher.node_name == "joint_watchdog" and publisher.topic.endswith("/joint_commands") and len(named) < 2:
            named.add(len(message.joint_names))
            if len(named) == 2:
                scene.deadlines.upset(UPSET_AFTER)
                faults.refused += count

    bus.observers.append(watch)
    if sits:
        scene.stack.time.after(SITS_AFTER, lambda: scene.person.ask(Service.ENABLE, False))


def _break_bus(scene: Scene, seconds: float) -> None:
    scene.stack.bus_faults.broken_until = scene.stack.now + seconds


def _stick_bus(scene: Scene, seconds: float) -> None:
    scene.stack.bus_faults.stuck_until = scene.stack.now + seconds


def _lose_board_power(scene: Scene) -> None:
    scene.stack.excuse("the board lost its power", 1e9)
    scene.stack.eye.power_loss()


def _lose_power_unplugged(scene: Scene, seconds: float) -> None:
    """The board's own supply goes and comes back while no transfer comes through: the chip is at its reset then."""
    _break_bus(scene, seconds)
    scene.stack.time.after(0.5 * seconds, lambda: _lose_board_power(scene))


def _stop_on_a_bad_bus(scene: Scene, seconds: float) -> None:
    """A stop while no write comes through."""
    _break_bus(scene, seconds)
    scene.stack.excuse("stopped", seconds + 2 * LONGEST_PAUSE)
    scene.stack.time.after(0.1 * seconds, lambda: scene.person.ask(Service.EMERGENCY_STOP))


def _end_on_a_bad_bus(scene: Scene, seconds: float, times: int) -> None:
    """Ctrl-C, perhaps twice, while no write comes through."""
    _break_bus(scene, seconds)
    for k in range(times):
        scene.stack.time.after(0.1 * (1 + k), scene.stack.interrupt)


BOARD_KINDS = {
    "refuse_writes": Kind(2.0, lambda r: (r.randrange(1, 6),), _refuse_writes),
    "refuse_at_change": Kind(1.0, lambda r: (r.randrange(1, 4), r.random() < 0.7), _refuse_at_change, upsets=0.0),
    "break_bus": Kind(1.0, only_seconds, _break_bus),
    "stick_bus": Kind(1.0, only_seconds, _stick_bus),
    "lose_board_power": Kind(0.3, lambda _: (), _lose_board_power),
    "lose_power_unplugged": Kind(0.5, lambda r: (round(r.uniform(0.3, 3.0), 2),), _lose_power_unplugged),
    "stop_on_a_bad_bus": Kind(0.7, lambda r: (round(r.uniform(0.3, 4.0), 2),), _stop_on_a_bad_bus),
    "end_on_a_bad_bus": Kind(
        0.3, lambda r: (round(r.uniform(0.3, 4.0), 2), r.choice((1, 2))), _end_on_a_bad_bus, upsets=inf
    ),
}
