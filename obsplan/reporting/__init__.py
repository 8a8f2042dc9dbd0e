"""Plans as people see them: words, pictures, a page, a calendar, a directory of files.

Begin with plan_directory, which writes them all.
"""
