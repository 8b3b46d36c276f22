"""Recordings of runs, and what is drawn from them."""
