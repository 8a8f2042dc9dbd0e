"""The folder cli."""
