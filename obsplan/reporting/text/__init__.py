"""The folder reporting/text."""
