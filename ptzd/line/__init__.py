"""A conversation with one camera over a link, and what its readings tell: where it is, and whether it stands still."""

from .framing import FocusMode, Framing, Landing, Tolerance, carried, landing, out_of_reach
from .line import HALT, Ending, Exchange, InquiryRefused, Line, LineDown, PushedAside
from .still import JITTER_COUNTS, STILL_SECONDS, Arrival, Standing, alike, seconds_to_tell
