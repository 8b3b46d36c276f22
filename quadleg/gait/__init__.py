"""How the feet are planned to go: schedules, swing paths, sway, limits, stability. Knows no ROS."""
