"""The folder checking."""
