"""Within what speeds, times and notes are written, in whatever text or message."""

from __future__ import annotations

SLOWEST_STEP, FASTEST_STEP = 1, 24  # pan speed steps, 01..18 in hexadecimal [A, B]
LONGEST_SECONDS = 600.0
LONGEST_NOTE = 1000  # characters
