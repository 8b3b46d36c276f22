"""Where the body is, how it moves and which feet carry it: from an IMU and joint angles, measured or modelled."""
