"""The folder analysis."""
