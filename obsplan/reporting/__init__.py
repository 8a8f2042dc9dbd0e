"""The folder reporting."""
