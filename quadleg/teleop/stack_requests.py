"""Requests to a running robot: emergency stop, standing and sitting, reset and gait, and what became of each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import inf

from quadleg.cautions import MAY_BE_POWERED
from quadleg.errors import MessageError
from quadleg.teleop.stack_link import Service, ServiceAnswer, StackLink
from quadleg.teleop.velocity_scale import VelocityScale

ANSWER_WITHIN = 5.0  # s
# The page's STOP uses the first two as well (viewer/stop_settings.py).
STOP_PERIOD = 0.2  # s between calls of the emergency stop until one is answered
STOP_UNANSWERED_AFTER = 1.0  # s without an answer until the person is told
STOP_CALLED_AT_LEAST = 3.0  # s for which it is called without an answer, though the person lets go
NOT_ANSWERED = f"servo_output does not answer the emergency stop. {MAY_BE_POWERED}"


@dataclass(eq=False)
class _OpenRequest:
    """A request without an answer yet: what to say if none comes `until` then."""

    service: Service
    unanswered: str
    until: float
    call: object = None


class StackRequests:
    """Requests over a link. `say` hears what became of each; `said` is the last of that.

    `state` and `why` are the watchdog's, `limits` the gait's, as last heard. `after_fault` says what to do in a fault,
    else the nodes' words do. `update` is to be called regularly.
    """

    def __init__(self, link: StackLink, say: Callable[[str], None], after_fault: str = "") -> None:
        self._link = link
        self._say = say
        self._after_fault = after_fault
        self.state, self.why = "", "joint_watchdog is not heard"
        self.limits: VelocityScale | None = None
        self._limits_missing = "walking_limits is not heard: is gait running?"
        self.said = ""
        self.stop_answered_at = -inf  # s on the steady clock
        self.stop_unanswered = False  # whether `said` is that no node answers a stop
        self._gait_asked: str | None = None
        self._open: list[_OpenRequest] = []
        self._stop_asked: float | None = None
        self._stop_called = -inf
        self._at_once_asked = self._at_once_answered = 0  # numbers of the last
        self._at_socket: set[object] = set()  # stops whose socket has not answered
        self._reset_asked = inf

    # What is heard

    def hear_state(self, state: str, why: str) -> None:
        self.state, self.why = state, why

    def hear_limits(self, text: str) -> None:
        """Take the YAML of `walking_limits`."""
        try:
            self.limits = VelocityScale.of(text)
        except MessageError as error:
            self.limits, self._limits_missing = None, str(error)
            return
        if self.limits.gait == self._gait_asked:
            self._gait_asked = None

    def update(self, stop_held: bool = False) -> None:
        """Go on with what waits; `stop_held`: the person still holds the stop."""
        now = self._link.steady_time()
        self._insist(now, stop_held)
        self._send_reset(now)
        for request in [request for request in self._open if now > request.until]:
            self._link.forget(request.service, request.call)
            self._open.remove(request)
            self._tell(request.unanswered)
            self.stop_unanswered = request.service is Service.EMERGENCY_STOP

    # The emergency stop

    def emergency_stop(self) -> None:
        """Ask for it, again and again until it is answered; on this computer by the stop socket at once."""
        self._stop_by_socket()
        self._reset_asked = inf
        self._stop_asked = self._link.steady_time()
        self._tell("emergency stop asked for")
        self._insist(self._stop_asked, held=True)

    def _stop_by_socket(self) -> None:
        stop = object()
        self._at_socket.add(stop)
        self._link.stop_by_socket(lambda: self._at_socket.discard(stop))

    def stop_at_once(self) -> None:
        """One call of the emergency stop, from any thread; `emergency_stop` then insists."""
        self._stop_by_socket()
        self._at_once_asked += 1
        number = self._at_once_asked

        def answered(_: ServiceAnswer) -> None:
            self._at_once_answered = number

        self._link.call(Service.EMERGENCY_STOP, None, answered)

    @property
    def stopping(self) -> bool:
        """Whether a stop is asked for that is not answered yet."""
        return self._stop_asked is not None

    def _insist(self, now: float, held: bool) -> None:
        if self._stop_asked is None or now - self._stop_called < STOP_PERIOD:
            return
        if now - self._stop_asked > STOP_UNANSWERED_AFTER and not self.stop_unanswered:
            self._tell(NOT_ANSWERED)
            self.stop_unanswered = True
        if now - self._stop_asked > STOP_CALLED_AT_LEAST and not held:
            self._stop_asked = None
            return
        self._stop_called = now
        self._ask(Service.EMERGENCY_STOP, None, lambda answer: self._stop_answered(answer, now), NOT_ANSWERED)

    def _stop_answered(self, answer: ServiceAnswer, called: float) -> str:
        """What to say: nothing for a repeat's answer, which would replace the answer to what was asked for since."""
        if called < self.stop_answered_at:
            return ""
        self._stop_asked = None
        self.stop_answered_at = self._link.steady_time()
        if answer.success and self._after_fault:
            return f"emergency stop: pulses are off; {self._after_fault}"
        return f"emergency stop: {answer.message}"

    # Others

    def enable(self, on: bool) -> None:
        """Ask the robot to stand up or go on (on), or to sit down."""
        what = "stand" if on else "sit"
        if not self._link.is_offered(Service.ENABLE):
            self._tell(
                f"{what}: joint_watchdog is not there, which offers the service enable; is `quadleg run` still there?"
            )
            return

        def answered(answer: ServiceAnswer) -> str:
            if not answer.success and self.state == "fault" and self._after_fault:
                return f"{what}: refused, the robot is in fault ({self.why}); {self._after_fault}"
            return f"{what}: {answer.message}"

        self._ask(Service.ENABLE, on, answered, f"{what}: {self._unanswered('joint_watchdog')}")

    def reset(self) -> None:
        """Ask to leave a fault, after the last of our own stops is answered: one that came later was a new fault."""
        self._reset_asked = self._link.steady_time()

    def _send_reset(self, now: float) -> None:
        waited = now - self._reset_asked
        stop_is_open = any(request.service is Service.EMERGENCY_STOP for request in self._open)
        stop_is_open = (
            stop_is_open or self.stopping or self._at_once_answered != self._at_once_asked or bool(self._at_socket)
        )
        if waited < 0 or (waited <= ANSWER_WITHIN and stop_is_open):
            return
        self._reset_asked = inf
        faulty = self.state == "fault"

        def answered(answer: ServiceAnswer) -> str:
            if not answer.success:
                return f"reset: {answer.message}"
            return "reset: the fault is over, the robot is off" if faulty else "reset: there is no fault"

        self._ask(Service.RESET, None, answered, f"reset: {self._unanswered('joint_watchdog')}")

    def choose_gait(self, step: int) -> None:
        """Ask for the gait so many places on in the list of gaits."""
        if self.limits is None:
            self._tell(self._limits_missing)
        else:
            self.take_gait(self.limits.beside(self._gait_asked or self.limits.gait, step))

    def take_gait(self, gait: str) -> None:
        self._gait_asked = gait

        def answered(answer: ServiceAnswer) -> str:
            if answer.success:
                return f"gait: {gait}"
            self._gait_asked = None
            return f"gait: {gait} is refused: {answer.message}"

        self._ask(Service.GAIT, gait, answered, f"gait: {gait}: {self._unanswered('gait')}")

    def _unanswered(self, node: str) -> str:
        """That a node does not answer, with what was last heard of the robot."""
        last = f"{self.state}: {self.why}" if self.state else "nothing"
        return (
            f"{node} has not answered within {ANSWER_WITHIN:g} s; before that the robot said {last}. Ask "
            "`quadleg status`; is `quadleg run` still there?"
        )

    def _ask(
        self, service: Service, value: bool | str | None, answer: Callable[[ServiceAnswer], str], unanswered: str
    ) -> None:
        request = _OpenRequest(service, unanswered, self._link.steady_time() + ANSWER_WITHIN)
        self._open.append(request)

        def answered(said: ServiceAnswer) -> None:
            if request in self._open:
                self._open.remove(request)
                if sentence := answer(said):
                    self._tell(sentence)

        request.call = self._link.call(service, value, answered)

    def _tell(self, said: str) -> None:
        self.said, self.stop_unanswered = said, False
        self._say(said)
