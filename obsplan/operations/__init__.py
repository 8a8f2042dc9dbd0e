"""The folder operations."""
