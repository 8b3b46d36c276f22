"""What a page says ahead of the state: a body that does not follow, hot servos, a robot that lowers itself.

All of it comes from the codes and figures in joint_watchdog's diagnostics, never from its sentences.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from quadleg.safety.catalogue import not_followed
from quadleg.safety.figure_words import joints_in_words
from quadleg.safety.reason_codes import HeatLevel, IdleCode
from quadleg.safety.state_machine import State

# What the robot does about it, by its state.
_LOWERS = "It lowers itself, then its servos are off."
_DOES = {
    State.RISING.value: "It rises slower.",
    State.ACTIVE.value: "It goes slower.",
    State.HOLD.value: "It holds still, with power.",
    State.LOWERING.value: _LOWERS,
}
# And once it is off, by the category of the stop (IEC 60204-1).
_DID = {"0": "Its pulses were cut at once.", "1": "It was lowered, its servos are off."}


@dataclass(frozen=True)
class FailureNotice:
    """`what` happened, what the robot `does`, what to `do`; `code` for programs. `loud`: it is a failure."""

    code: str
    what: str
    does: str
    do: str
    loud: bool


def failure_notices(watchdog: Mapping[str, str]) -> list[FailureNotice]:
    """Read the figures in joint_watchdog's diagnostics; the worst first, nothing where nothing is known."""
    found = [*_following(watchdog), *_heat(watchdog), *_idle(watchdog)]
    return sorted(found, key=lambda notice: not notice.loud)


def _does(watchdog: Mapping[str, str]) -> str:
    return _DOES.get(watchdog.get("state", "")) or _DID.get(watchdog.get("stop_category", ""), "Its servos are off.")


def _following(watchdog: Mapping[str, str]) -> Iterator[FailureNotice]:
    code = watchdog.get("following")
    explanation = not_followed(code) if code else None
    if not code or not explanation:
        return
    where = joints_in_words(watchdog.get("following_where", "").split()).replace("_", " ")
    about = ", ".join(filter(None, (where, watchdog.get("following_figure", ""))))
    what = f"The body does not follow{f' ({about})' if about else ''}: {explanation.what}."
    yield FailureNotice(code, what, _does(watchdog), _sentence(explanation.cure), loud=True)


def _heat(watchdog: Mapping[str, str]) -> Iterator[FailureNotice]:
    level = watchdog.get("servo_heat")
    if level not in (HeatLevel.HOT.value, HeatLevel.TOO_HOT.value):
        return
    joint, celsius = watchdog.get("servo_hottest", "a servo"), watchdog.get("servo_hottest_c", "?")
    what = f"{joint} is {level}, about {celsius} °C by the model of its current".replace("_", " ")
    up = watchdog.get("state") in (State.RISING.value, State.ACTIVE.value, State.HOLD.value)
    if up:
        does, do = "It goes on, and lowers itself if this gets worse.", "Let it rest: sit down."
    else:
        does, do = _does(watchdog), "Let it cool; it does not stand up before."
    yield FailureNotice(f"servo_{level}", _sentence(what), does, do, loud=level == HeatLevel.TOO_HOT.value)


def _idle(watchdog: Mapping[str, str]) -> Iterator[FailureNotice]:
    code = watchdog.get("idle")
    if code == IdleCode.LOWERS_SOON.value:
        does = f"It lowers itself in {watchdog.get('idle_left_s', '?')} s, then its servos are off."
        yield FailureNotice(
            code, "The robot stands without a command.", does, "To stay up: walk, or move the body.", False
        )
    elif code == IdleCode.LOWERED.value:
        did = _LOWERS if watchdog.get("state") == State.LOWERING.value else "It lowered itself to spare its servos."
        yield FailureNotice(code, "The robot stood too long without a command.", did, "Stand up goes on.", loud=False)


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}." if words else ""
