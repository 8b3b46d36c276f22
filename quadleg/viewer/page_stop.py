"""What STOP of the page (page/stop.js) goes by: its figures, and what it says.

They stand in the page itself, not in its greeting: a page that hears nothing has to tell that its stop was not sent.
"""

from __future__ import annotations

from quadleg.cautions import MAY_BE_POWERED, OPEN_THE_SWITCH
from quadleg.teleop.stack_requests import STOP_PERIOD, STOP_UNANSWERED_AFTER

GIVEN_UP_AFTER = 10.0  # s that a page asks for: a viewer that was started again is back by then (our own choice)

ASKED = "stop asked for …"
NOT_SENT = f"STOP NOT SENT: no connection to the viewer. {OPEN_THE_SWITCH[0].upper()}{OPEN_THE_SWITCH[1:]}"
NOT_ANSWERED_LOUD = f"STOP IS NOT ANSWERED BY servo_output. {MAY_BE_POWERED}"

STOP_RULES: dict[str, float | str] = {
    "period_ms": 1000 * STOP_PERIOD,
    "unanswered_after_ms": 1000 * STOP_UNANSWERED_AFTER,
    "given_up_after_ms": 1000 * GIVEN_UP_AFTER,
    "asked": ASKED,
    "not_sent": NOT_SENT,
    "not_answered": NOT_ANSWERED_LOUD,
}
