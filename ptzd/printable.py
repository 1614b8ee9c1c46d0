"""What may stand in a text that ends on a terminal. Stands below all else.

Names, labels, notes and reasons come from the bus, from stores and from files, and whoever wrote them could move the
cursor, clear the screen or forge a line with them. So whatever is printed or logged is made `printable` where it leaves
the program, and nowhere before: what is stored and sent stays as it was written.
"""

from __future__ import annotations

import re

# Controls but for the line's end and the tab, DEL, the second set of controls, halves of characters, and the signs that
# turn the direction of what follows (ISO/IEC 6429; Unicode, "Bidirectional Algorithm", section 2).
_STEERS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\u202a-\u202e\u2066-\u2069]")
UNSHOWN = "\ufffd"


def printable(text: str) -> str:
    """Return the text with whatever steers a terminal shown as U+FFFD. Line ends and tabs stay."""
    return text if text.isprintable() else _STEERS.sub(UNSHOWN, text)


def printable_json(text: str) -> str:
    """Return a JSON document with the same in it escaped: a program that reads it sees no difference."""
    return text if text.isprintable() else _STEERS.sub(lambda found: f"\\u{ord(found[0]):04x}", text)
