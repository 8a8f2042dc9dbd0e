"""The folder reporting/figures."""
