"""The running order at work: where a show stands in its cues, and the desk that sends cameras for them."""

from .desk import CueDesk, CueState, CueToken, Gone, NotReady, Placed
from .run import ONCE_WITHIN_SECONDS, ListedCue, ListedMove, cue_list, stands_before_each
