"""The folder survey."""
