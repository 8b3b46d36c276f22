"""Is this robot possible? Reach, torque, current, resolution, bus and heat of one robot file, each with a verdict."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import degrees, isfinite
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quadleg.commissioning.feasibility.bus_load import Bus
from quadleg.commissioning.feasibility.current_draw import Current, Draw
from quadleg.commissioning.feasibility.heating import Heat
from quadleg.commissioning.feasibility.reach import Reach, Stop
from quadleg.commissioning.feasibility.resolution import Resolution
from quadleg.commissioning.feasibility.standing_torque import FEET, Torque
from quadleg.commissioning.feasibility.stride_effort import GaitUse
from quadleg.commissioning.feasibility.torque_needs import torque_cure, torque_needs, with_servos_to_buy
from quadleg.commissioning.feasibility.verdict import FAILS, GOOD, TIGHT, Verdict
from quadleg.commissioning.feasibility.walk_forecast import WalkForecast, WalkObstruction, stall_torques_needed
from quadleg.robot.model import JOINT_NAMES, RobotModel

SECTIONS = ("walk", "reach", "torque", "current", "resolution", "bus", "heat")


@dataclass(frozen=True)
class Check:
    """All that is judged of one robot."""

    robot: RobotModel
    reach: Reach
    torque: Torque
    current: Current
    resolution: Resolution
    bus: Bus
    heat: Heat
    gaits: tuple[GaitUse, ...]

    @cached_property
    def verdicts(self) -> dict[str, list[Verdict]]:
        """By the names of `SECTIONS`."""
        return {
            "walk": [forecast.verdict() for forecast in self.forecasts],
            "reach": self.reach.verdicts(),
            "torque": self.torque.verdicts(self.needed if self._weak else None, self._walks_on),
            "current": self.current.verdicts(),
            "resolution": self.resolution.verdicts(),
            "bus": self.bus.verdicts(torque_needs(self.robot, self.needed), self._walks_not),
            "heat": self.heat.verdicts(),
        }

    @cached_property
    def forecasts(self) -> tuple[WalkForecast, ...]:
        """Whether it stands and walks in each gait of which the limits were looked for."""
        return tuple(
            WalkForecast(self.robot, self.torque, use, self.needed) for use in self.gaits if use.fastest is not None
        )

    @cached_property
    def needed(self) -> NDArray[np.float64]:
        """(12,) the stall torques in N·m to buy: one number for all verdicts."""
        return stall_torques_needed(self.torque, self.gaits)

    @cached_property
    def current_to_buy_for(self) -> Current:
        """What the servos draw that would do, where those that there are do not; else what these draw."""
        if not self._weak or not torque_needs(self.robot, self.needed):
            return self.current
        robot = with_servos_to_buy(self.robot, self.needed)
        torque = Torque.of(robot, self.reach.lowest.value, self.reach.highest.value)
        whole = any(use.fastest is not None for use in self.gaits)
        make = GaitUse.of if whole else GaitUse.on_the_spot
        return Current.of(robot, torque, [make(robot, use.gait) for use in self.gaits])

    @property
    def buy(self) -> str:
        """Which supply to buy, in one line: for the servos that would do, and for these."""
        plan, now = self.current_to_buy_for.plan, self.current.plan
        if self.current_to_buy_for is self.current:
            return now.sentence
        torques = torque_cure(torque_needs(self.robot, self.needed)[:-1])
        walks = f"with these servos {now.rating} A" if self.walks else "with these servos it does not walk"
        servos = f"the servos that would do ({torques}) and their stall current"
        return f"Supply to buy, with {servos}: {plan.figures}; {walks}."

    @property
    def _weak(self) -> bool:
        """Whether stronger servos would let it rise or walk, or walk better."""
        found = {factor.cause for forecast in self.forecasts for factor in forecast.limiting_factors}
        lacks = any(use.worked_hard for use in self.gaits) or WalkObstruction.TOO_SLOW in found
        return lacks or self.torque.rising.effort > 1.0

    @property
    def _walks_on(self) -> set[int]:
        """The numbers of feet on which its gaits stand."""
        walking = {forecast.use.feet_down for forecast in self.forecasts if forecast.code.walks}
        unknown = {use.feet_down for use in self.gaits if use.fastest is None and use.steps}
        return walking | unknown if self.torque.rising.effort <= 1.0 else set()

    @property
    def _walks_not(self) -> set[str]:
        """The gaits of which it is known that it does not walk in them."""
        return {forecast.use.gait.name for forecast in self.forecasts if not forecast.code.walks}

    @property
    def failing(self) -> list[Verdict]:
        """The verdicts on what will not work."""
        return [verdict for verdict in self._rows if verdict.word == FAILS]

    @property
    def of_gaits(self) -> list[Verdict]:
        """The verdicts that each are about one gait, or about how many feet it stands on."""
        return [*self.verdicts["walk"], *self.verdicts["torque"][1:], *self.verdicts["bus"][1:]]

    @property
    def walks(self) -> bool:
        """Whether it walks in at least one of the gaits that were examined."""
        return bool(self._walks_on)

    @property
    def conclusion(self) -> str:
        """How it all ends, in one line."""
        good, tight, fails = (sum(row.word == word for row in self._rows) for word in (GOOD, TIGHT, FAILS))
        counted = f"{good} good, {tight} tight, {fails} that will not work"
        possible = "possible"
        if fails:
            some = self.walks and all(row in self.of_gaits for row in self.failing)
            possible = "possible, but not in each of its gaits" if some else "not possible as it is described"
        return f"This robot is {possible}: {counted}."

    @property
    def _rows(self) -> list[Verdict]:
        return [verdict for section in self.verdicts.values() for verdict in section]


def check(robot: RobotModel) -> Check:
    """Everything, with each gait at its fastest: that takes a second or more for each gait."""
    return _check(robot, [GaitUse.of(robot, gait) for gait in robot.gaits])


def verdicts(robot: RobotModel) -> dict[str, list[Verdict]]:
    """The verdicts in well under a second: gaits on the spot alone, so without their speed and limits."""
    return _quick(robot).verdicts


def refusals(robot: RobotModel) -> list[str]:
    """A sentence for each thing that keeps a robot from standing or from every gait, as `verdicts` finds them."""
    checked = _quick(robot)
    # The watchdog lowers a hot robot.
    spared = [*(checked.of_gaits if checked.walks else ()), *checked.verdicts["heat"]]
    return [row.sentence for row in checked.failing if row not in spared]


def _quick(robot: RobotModel) -> Check:
    return _check(robot, [GaitUse.on_the_spot(robot, gait) for gait in robot.gaits])


def _check(robot: RobotModel, gaits: Sequence[GaitUse]) -> Check:
    reach = Reach.of(robot)
    torque = Torque.of(robot, reach.lowest.value, reach.highest.value)
    return Check(
        robot=robot,
        reach=reach,
        torque=torque,
        current=Current.of(robot, torque, gaits),
        resolution=Resolution.of(robot),
        bus=Bus.of(robot, gaits),
        heat=Heat.of(robot, torque, gaits),
        gaits=tuple(gaits),
    )


def as_json(checked: Check) -> str:
    """One JSON object with the keys of `SECTIONS`; units are in the keys. Each section has its verdicts."""
    figures = {
        "walk": {forecast.use.gait.name: _walk(forecast) for forecast in checked.forecasts},
        "reach": _reach(checked.reach),
        "torque": _torque(checked.torque),
        "current": _current(checked),
        "resolution": _resolution(checked.resolution),
        "bus": _bus(checked.bus),
        "heat": _heat(checked),
    }
    rows = {
        section: [
            {"about": v.about, "verdict": v.word, "why": v.why, "change": v.cure, "needs": _needs(v)}
            for v in checked.verdicts[section]
        ]
        for section in SECTIONS
    }
    return json.dumps({key: {**figures[key], "verdicts": rows[key]} for key in SECTIONS}, indent=2)


def _needs(verdict: Verdict) -> list[dict[str, Any]]:
    return [{"need": n.quantity.value, "value": n.value, "have": n.have, "at": n.at} for n in verdict.needs]


def _walk(forecast: WalkForecast) -> dict[str, Any]:
    return {"forecast": forecast.code.value, "causes": [factor.cause.value for factor in forecast.limiting_factors]}


def _reach(reach: Reach) -> dict[str, Any]:
    moves = {}
    for axis, ends in reach.moves.items():
        scale, unit = (1000.0, "mm") if axis in "xyz" else (degrees(1.0), "deg")
        moves[axis] = {key: _stop(end, scale, unit) for key, end in zip(("least", "most"), ends)}
    return {
        "standing_height": {"lowest": _stop(reach.lowest), "highest": _stop(reach.highest)},
        "body_moves": moves,
        "longest_step": {"ahead": _stop(reach.ahead), "sideways": _stop(reach.sideways)},
    }


def _stop(stop: Stop, scale: float = 1000.0, unit: str = "mm") -> dict[str, Any]:
    return {unit: round(scale * stop.value, 2), "stopped_by": stop.by}


def _torque(torque: Torque) -> dict[str, Any]:
    result: dict[str, Any] = {"stall_nm": _by_joint(torque.stall)}
    names = {4: "four_feet", 3: "three_feet", 2: "two_feet"}
    for count in FEET:
        margins = torque.margins(count)
        result[names[count]] = {
            "standing_nm": _by_joint(torque.standing[count]),
            "largest_nm": _by_joint(torque.over[count].max(axis=0)),
            "standing_margin": round(float((torque.stall / torque.standing[count]).min()), 3),
            "least_margin": round(float(margins.min()), 3),
            "least_margin_at_mm": round(1000 * float(torque.heights[margins.argmin()]), 1),
        }
    return result


def _current(checked: Check) -> dict[str, Any]:
    current, to_buy_for = checked.current, checked.current_to_buy_for
    supply = current.supply
    return {
        "supply_v": supply.voltage,
        "supply_rated_a": supply.rated_current,
        "fuse_a": supply.fuse,
        "standing": _drawn(current.standing),
        "gaits": {draw.doing: _drawn(draw) for draw in current.gaits},
        "in_use_a": round(current.in_use, 3),
        "all_stalled_a": round(current.stalled, 3),
        "supply_to_buy_a": to_buy_for.plan.rating,
        "supply_to_bear_all_stalled_a": to_buy_for.plan.stall_rating,
    }


def _drawn(draw: Draw) -> dict[str, Any]:
    return {
        "mean_a": round(draw.mean, 3),
        "peak_a": round(draw.peak, 3),
        "battery_s": None if draw.seconds is None else round(draw.seconds),
    }


def _resolution(resolution: Resolution) -> dict[str, Any]:
    return {
        "count_ms": round(1e3 * resolution.pulse, 6),
        "count_deg": _by_joint(np.degrees(resolution.angles)),
        "count_height_mm": _by_joint(1000 * resolution.heights),
        "deadband_counts": _by_joint(resolution.deadbands),
    }


def _bus(bus: Bus) -> dict[str, Any]:
    return {
        "link": bus.link,
        "frame_messages": bus.messages,
        "frame_bytes": bus.size,
        "frame_ms": round(1e3 * bus.seconds, 4),
        "largest_rate_hz": round(bus.most, 1),
        "rate_hz": bus.rate,
        "gaits": {
            use.gait.name: {
                "fastest": [round(value, 3) for value in use.fastest or ()],
                "share_of_no_load_speed": round(use.use, 3),
            }
            for use in bus.gaits
        },
    }


def _heat(checked: Check) -> dict[str, Any]:
    loads = {
        load.doing: {
            "steady_c": _by_joint(load.steady),
            "too_hot_after_s": round(load.lasts, 1) if isfinite(load.lasts) else None,
        }
        for load in checked.heat.loads
    }
    return {"share_of_stall_torque": _by_joint(checked.torque.share), **loads}


def _by_joint(values: Any) -> dict[str, float]:
    return {name: round(value, 4) for name, value in zip(JOINT_NAMES, values.tolist())}
