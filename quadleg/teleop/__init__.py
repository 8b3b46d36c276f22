"""What a person at a gamepad or a keyboard wants of the robot. Knows no ROS."""
