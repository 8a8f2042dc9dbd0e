"""The folder planning."""
