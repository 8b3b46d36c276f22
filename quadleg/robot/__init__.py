"""What the machine is: the robot file, the model made from it, and its URDF."""
