"""What a plan implies: command deadlines, data latency, leeway of starts, missing runs.

Each module makes one table; page and pictures show them.
"""
