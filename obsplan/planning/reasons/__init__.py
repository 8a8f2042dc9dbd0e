"""The folder planning/reasons."""
