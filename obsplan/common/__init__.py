"""The folder common."""
