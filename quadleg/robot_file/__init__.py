"""The robot file: its schema, loading, contradictions, proposals, and editing that keeps comments."""
