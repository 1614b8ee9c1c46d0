"""What a show keeps on disk: positions with their history, locks, where its cues stand, learned heads."""

from .alignment import Alignment, Realigned, Sighting, align, most_telling, proposed, required_optics
from .cueplace import CuePlace
from .disk import RunDisk, in_thread, inline
from .heads import HeadFiles, read_head_file
from .memories import content_of, memory_for
from .position import HistoryEntry, StoredPosition, beyond, unfit_positions
from .store import PositionStore
from .text import read_show
