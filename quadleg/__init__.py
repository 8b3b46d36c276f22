"""quadleg: leg control and state estimation for small four-legged robots with twelve hobby servos."""
