"""The `quadleg` command."""
