"""Forces in the robot: centre of mass, foot loads, joint torques, servo and supply current. No ROS, no simulator."""
