"""Drawings that reports, checks and the demo share."""
