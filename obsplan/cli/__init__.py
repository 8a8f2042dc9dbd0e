"""The command line, one file a command. Begin with main, the group of all commands."""
