"""What stands between a joint target and a servo: limits, watchdog, rest, and servo_output's own states."""
