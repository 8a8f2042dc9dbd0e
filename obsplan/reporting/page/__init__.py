"""The report for the review board: one HTML page that needs no network. Begin with report."""
