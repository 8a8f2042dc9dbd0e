"""The folder reporting/page."""
