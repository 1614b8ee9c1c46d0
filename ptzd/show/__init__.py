"""What a show keeps: positions with their history, and locks. Also the reading of the text files people write."""

from .disk import RunDisk, in_thread, inline
from .errors import StoreError
from .names import NAME_PATTERN, checked_name
from .position import HistoryEntry, StoredPosition
from .store import Imported, PositionStore
from .textfile import Complaint, Mistake, TextFileError, read_file, read_text

__all__ = [
    "NAME_PATTERN",
    "Complaint",
    "HistoryEntry",
    "Imported",
    "Mistake",
    "PositionStore",
    "RunDisk",
    "StoreError",
    "StoredPosition",
    "TextFileError",
    "checked_name",
    "in_thread",
    "inline",
    "read_file",
    "read_text",
]
