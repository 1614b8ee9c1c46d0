"""Learning a head: which trials tell how it moves, how they are carried out, and what follows from them."""

from .measurements import Seeing
from .progress import Progress
from .run import estimate_seconds, learn
from .trials import LearnLimits, rooms_within
