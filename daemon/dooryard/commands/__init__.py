"""The command line's groups, thin: each command reads its arguments and calls the room that does the work.

Imports stand inside the commands, so that `dooryard --help` stays quick.
"""
