"""The deadlines of holds, lowerings and stops, in s of a steady clock unless another unit is named.

Code takes them from here. README.md and config/ repeat some as literals, which test/test_deadlines.py compares with
this file: a new deadline that they tell is added there. Where no source is named, the value is our own choice.

How the watchdog's holds begin and end, by `HoldKind` of state_machine.py. Besides, each is ended by a request to sit,
by a stop of a higher category, and by `idle_time` (idle_watch.py).

| hold | begins after | ends by | lowered after |
|---|---|---|---|
| MISSING: no good frame | MISSING_FRAMES | MISSING_FRAMES good ones while servo_output follows | HOLD_TIME |
| BAD: targets refused | MAX_BAD_TARGETS | `quadleg stand` | HOLD_TIME |
| LIMIT: a leg at its limit | LIMIT_TIME | `quadleg stand` | never |
| SILENT: servo_output silent | OUTPUT_SILENT_TIME | MISSING_FRAMES good ones while servo_output follows | never |
| CURRENT: over the rating | OVER_TIME | `quadleg stand` | OVER_LOWER, counted from the hold |
| FOLLOWING: the body does not follow | SHORTFALL_HOLD | `quadleg stand` | SHORTFALL_LOWER, counted from the hold |

servo_output's own hold begins after SILENCE_HOLD without a command, or with a board that takes none; a command within a
frame's reach ends it. After SILENCE_LOWER without a command it lowers; a servo_output that was started again, after
SILENCE_LOWER + FOUND_TIME.
"""

from __future__ import annotations

# joint_watchdog

MISSING_FRAMES = 3  # control periods in a row without a good frame until a hold; good frames in a row that end the hold
MAX_BAD_TARGETS = 3  # refused joint targets in a row until a hold
# From a hold for missing frames or bad targets until the robot is lowered; longer than PAUSE of demo/demo.py.
HOLD_TIME = 2.0
LIMIT_TIME = 3.0  # from a leg reaching its limit until a hold
# From the end of a lowering's path until the power is cut although the joints have not arrived: commands may still be
# on their way, or a leg may be caught.
LOWERED_WAIT = 2.0
TIP_TIME = 0.1  # from tipping over until the power is cut
OUTPUT_SILENT_TIME = 0.5  # from the last message of servo_output until a hold
# From when servo_output holds or lowers on its own until the watchdog concludes that it ignores commands. After a kill,
# a restarted servo_output holds, and may be heard up to 3 s before it hears others.
OUTPUT_IGNORES_TIMES = {"holding": 4.0, "lowering": 1.0}

# Supply and body

LOW_TIME = 0.5  # from a voltage below the limit until the robot is lowered; longer than an inrush
OVER_TIME = 1.0  # from a current over the rating until a hold
OVER_LOWER = 2.0  # from that hold until the robot is lowered
SHORTFALL_HOLD = 1.0  # from when the body does not follow and the robot slows down until a hold
SHORTFALL_LOWER = 2.0  # from that hold until the robot is lowered

# servo_output on its own

SILENCE_HOLD = 0.5  # from the watchdog's last command, or the board's last frame, until servo_output holds
SILENCE_LOWER = 3.0  # from the watchdog's last command until servo_output lowers the robot
FOUND_TIME = 3.0  # added to SILENCE_LOWER after a restart: the other nodes take up to 3 s to hear the new servo_output
# Shortest duration of servo_output's stop: every node hears of it, and a command that is on its way when it comes, for
# up to 0.6 s on a busy computer (campaign of faults), does not release it.
STOPPED_TIME = 1.0
# How long a new watchdog says nothing: a servo_output that a dead watchdog left powered holds by then.
QUIET_TIME = 2 * SILENCE_HOLD
