"""The command `warmstraw`: words to calls. It holds no rule; what it prints is made in the rooms below."""

from monitor.cli.command import main

__all__ = ["main"]
