"""The folder planning/solver."""
