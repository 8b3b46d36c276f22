"""The live view: a page in a browser on which the robot is seen and steered."""
