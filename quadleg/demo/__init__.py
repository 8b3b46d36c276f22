"""`quadleg demo`: the whole chain, step by step, with tables and pictures at the end."""
