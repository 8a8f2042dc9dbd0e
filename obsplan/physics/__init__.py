"""The folder physics."""
