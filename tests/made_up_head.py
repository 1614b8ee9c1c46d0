"""The head that `DEVELOPERS.md` makes up to show how a dialect is added, as a newcomer would copy it from there."""

from __future__ import annotations

import re
from pathlib import Path

NAME = "hayloft5-90"


def made_up_head(folder: Path) -> Path:
    """Write the made-up head's file into a folder; return where."""
    text = (Path(__file__).parents[1] / "DEVELOPERS.md").read_text("utf-8")
    chapter = text.partition("## To add a camera dialect")[2]
    found = re.search(r"^```toml\n(.*?)^```$", chapter, re.DOTALL | re.MULTILINE)
    assert found is not None, "DEVELOPERS.md shows no dialect any more"
    path = folder / f"{NAME}.toml"
    path.write_text(found[1], "utf-8")
    return path
