"""The deadlines of holds, lowerings and stops, in s of a steady clock unless another unit is named.

Every sentence, report, client and parameter that tells of one reads it here. Our own choices where no source is named.

How the watchdog's holds begin and end, by `HoldKind` of state_machine.py. Besides, each is ended by a request to sit,
by a stop of a higher category, and by `idle_time` (idle_watch.py).

| hold | begins after | ends by | lowered after |
|---|---|---|---|
| MISSING: no good frame | MISSING_FRAMES | MISSING_FRAMES good ones while servo_output follows | HOLD_TIME |
| BAD: targets refused | BAD_TARGETS | `quadleg stand` | HOLD_TIME |
| LIMIT: a leg at its limit | LIMIT_TIME | `quadleg stand` | never |
| SILENT: servo_output not heard | OUTPUT_SILENT | MISSING_FRAMES good ones while servo_output follows | never |
| CURRENT: over the rating | OVER_TIME | `quadleg stand` | HOLD_TIME more over it |
| FOLLOWING: the body does not follow | SHORTFALL_HOLD | `quadleg stand` | SHORTFALL_LOWER more of it |

servo_output's own hold begins after SILENCE_HOLD without a command, or with a board that takes none; a command within a
frame's reach ends it, and after SILENCE_LOWER without one it lowers (FOUND_TIME more where it was started again).
"""

from __future__ import annotations

# joint_watchdog

MISSING_FRAMES = 3  # frames without a good one until a hold, and good ones that end the hold again
BAD_TARGETS = 3  # joint targets refused in a row, until a hold
HOLD_TIME = 2.0  # a hold without frames, for bad targets or for the current, until the robot is lowered
LIMIT_TIME = 3.0  # a leg at its limit, until a hold
# a lowering has come to its end, and the joints have not: commands on their way, a leg that is caught
LOWERED_WAIT = 2.0
TIP_TIME = 0.1  # the body tipped, until the power is cut
OUTPUT_SILENT = 0.5  # nothing heard of servo_output, until a hold
# servo_output holding or lowering, until the watchdog takes itself for ignored. A servo_output that was started again
# after a kill holds, and may be heard up to 3 s before it hears.
OUTPUT_IGNORES = {"holding": 4.0, "lowering": 1.0}

# Supply and body

LOW_TIME = 0.5  # the voltage too low, until the robot is lowered: longer than an inrush
OVER_TIME = 1.0  # the current over the rating, until a hold
SHORTFALL_HOLD = 1.0  # the body does not follow and the robot goes slower, until a hold
SHORTFALL_LOWER = 2.0  # more, until the robot is lowered

# servo_output by itself

SILENCE_HOLD = 0.5  # no command of the watchdog, or a board that takes no frame, until servo_output holds
SILENCE_LOWER = 3.0  # no command, until servo_output lowers the robot
FOUND_TIME = 3.0  # more, for a servo_output that was started again: the others take up to 3 s to hear it
STOPPED_TIME = 0.5  # a stop stands at least so long, so that everyone hears of it
QUIET_TIME = 2 * SILENCE_HOLD  # of a new watchdog: a servo_output that a dead one left powered holds by then
# of a stop that the watchdog commands no power too, should it not be servo_output's: short of what ends its stop
FAULT_TOLD = 0.5 * STOPPED_TIME
