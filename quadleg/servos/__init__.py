"""Servo output: from joint angles to the bytes on the wire, and the board and servos that answer them."""
