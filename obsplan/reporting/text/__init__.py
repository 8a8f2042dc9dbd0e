"""Lines for the terminal and for messages: verdicts, comparisons, changes, the link."""
