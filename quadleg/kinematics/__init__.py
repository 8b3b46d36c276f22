"""Kinematics of the legs and the body, and the distances between them."""
