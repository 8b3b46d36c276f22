"""The deadlines of holds, lowerings and stops, in s of a steady clock unless another unit is named.

Every sentence, report, client and parameter that tells of one reads it here. Our own choices where no source is named.
"""

from __future__ import annotations

# joint_watchdog

MISSING_FRAMES = 3  # frames without a good one until a hold, and good ones that end the hold again
BAD_TARGETS = 3  # joint targets refused in a row, until a hold
HOLD_TIME = 2.0  # a hold without frames, for bad targets or for the current, until the robot is lowered
LIMIT_TIME = 3.0  # a leg at its limit, until a hold
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
