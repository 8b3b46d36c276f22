"""`quadleg check`: whether a robot can stand and walk, by its figures alone."""
