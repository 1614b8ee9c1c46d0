"""The running order at work: where a show stands in its cues, and the desk that sends cameras for them."""

from .desk import CueDesk, CueState, CueToken, Gone, NotReady
from .run import ONCE_WITHIN_SECONDS, CueRefusal, ListedCue, cue_list

__all__ = [
    "ONCE_WITHIN_SECONDS",
    "CueDesk",
    "CueRefusal",
    "CueState",
    "CueToken",
    "Gone",
    "ListedCue",
    "NotReady",
    "cue_list",
]
