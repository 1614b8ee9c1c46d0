"""One module a command; what belongs to one command alone begins with its name."""
