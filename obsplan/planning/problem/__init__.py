"""The folder planning/problem."""
