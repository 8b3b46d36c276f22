"""Rotations, rigid transforms, motion in the plane, and the transform that best fits points to points."""
