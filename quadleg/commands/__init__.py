"""The commands of `quadleg`, by what they are for."""
