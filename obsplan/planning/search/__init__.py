"""The folder planning/search."""
