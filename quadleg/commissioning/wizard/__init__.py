"""`quadleg new`: a robot file from questions."""
