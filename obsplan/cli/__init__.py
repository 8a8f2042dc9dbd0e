"""The command line, one file per command. Begin with main, the group of all commands.

`options` has the arguments and options that several commands share, `files` what they do
with files. Nothing heavy is imported before a command runs.
"""
