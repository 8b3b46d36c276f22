"""Figures and texts of the page's STOP, which page/stop.js reads from the page itself.

They are in the page, not in its greeting: a page without a connection has to say that its stop was not sent.

The rest of STOP: its button and the words on it are in page/index.html, what page/stop.js counts as an answer is
`stopIsAnswered` of page/page.js, the message `{"kind": "stop"}` is STOP of page_commands.py, page_operator.py acts on
it, and teleop/stack_requests.py calls the services until one answers, or for STOP_CALLED_AT_LEAST, and has the first
two figures. README.md tells of GIVEN_UP_AFTER under "What it does when something goes wrong";
test/test_deadlines.py compares them.
"""

from __future__ import annotations

from quadleg.cautions import MAY_BE_POWERED, OPEN_THE_SWITCH
from quadleg.teleop.stack_requests import STOP_PERIOD, STOP_UNANSWERED_AFTER

# s for which a page repeats a stop (our own choice): a viewer that is started again is back by then, on a computer
# a fifth as fast as a laptop as well.
GIVEN_UP_AFTER = 30.0

ASKED = "stop asked for …"
NOT_SENT = f"STOP NOT SENT: no connection to the viewer. {OPEN_THE_SWITCH[0].upper()}{OPEN_THE_SWITCH[1:]}"
NOT_ANSWERED_LOUD = f"STOP IS NOT ANSWERED BY servo_output. {MAY_BE_POWERED}"
NOT_CONNECTED = "What you see is old, and STOP does not arrive. Is quadleg run still there?"

STOP_SETTINGS: dict[str, float | str] = {
    "period_ms": 1000 * STOP_PERIOD,
    "unanswered_after_ms": 1000 * STOP_UNANSWERED_AFTER,
    "given_up_after_ms": 1000 * GIVEN_UP_AFTER,
    "asked": ASKED,
    "not_sent": NOT_SENT,
    "not_answered": NOT_ANSWERED_LOUD,
    "not_connected": NOT_CONNECTED,
}
