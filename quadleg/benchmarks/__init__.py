"""What `quadleg timing` measures."""
