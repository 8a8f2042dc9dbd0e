"""The folder environment."""
