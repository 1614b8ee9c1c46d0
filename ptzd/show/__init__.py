"""What a show keeps: positions with their history, locks, cues. Also the reading of the text files people write."""

from .cuedesk import CueDesk, CueState, CueToken, Gone, NotReady
from .cues import CuePlace, CueRefusal, CueRun, ListedCue, ListedMove, cue_list
from .disk import RunDisk, in_thread, inline
from .errors import StoreError
from .heads import HeadFiles, read_head_file
from .names import NAME_PATTERN, checked_name
from .position import HistoryEntry, StoredPosition
from .store import Imported, PositionStore
from .textfile import Complaint, Mistake, TextFileError, read_file, read_text

__all__ = [
    "NAME_PATTERN",
    "Complaint",
    "CueDesk",
    "CuePlace",
    "CueRefusal",
    "CueRun",
    "CueState",
    "CueToken",
    "Gone",
    "HeadFiles",
    "HistoryEntry",
    "Imported",
    "ListedCue",
    "ListedMove",
    "Mistake",
    "NotReady",
    "PositionStore",
    "RunDisk",
    "StoreError",
    "StoredPosition",
    "TextFileError",
    "checked_name",
    "cue_list",
    "in_thread",
    "inline",
    "read_file",
    "read_head_file",
    "read_text",
]
