"""The command line: one file a command. They parse, call a room's function, and print; no more."""
