"""Recordings: written, read whole or damaged, and exported."""
