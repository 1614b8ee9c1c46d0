"""The command line: one module a command, and what they share beside them."""

from .main import main
