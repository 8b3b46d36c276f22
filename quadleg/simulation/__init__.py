"""A physical robot in MuJoCo, made from the robot file and moved by the simulated board. Knows no ROS."""
