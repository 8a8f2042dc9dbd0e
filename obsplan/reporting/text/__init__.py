"""Lines for the terminal and for messages: verdicts, comparisons, changes, answers about the link."""
