"""Text files that people write: read against a model with every mistake told, and edited without losing a comment."""

from .limits import FASTEST_STEP, LONGEST_LABEL, LONGEST_NOTE, LONGEST_SECONDS, SLOWEST_STEP, Name, Seconds, Speed
from .showedit import (
    Change,
    changed,
    edited,
    renumbered,
    replace_text,
    replace_with_backup,
    with_cue,
    without_cue,
    write_copy,
)
from .showfile import (
    HIGHEST_NUMBER,
    LONGEST_SHOW_SECONDS,
    Cue,
    CueMove,
    CueTime,
    ShowFile,
    clock_of_seconds,
    cue_of,
    cue_time,
    cue_times,
    number_text,
    read_show_file,
    read_show_text,
    show_schema,
    show_with,
    unknown_names,
)
from .stageplan import StagePlan, WantedShot, read_stage_plan
from .stands import Stands, in_order
from .textfile import (
    LARGEST_BYTES,
    Complaint,
    Mistake,
    Table,
    TextFileError,
    decoded,
    read_file,
    read_tables,
    read_text,
    text_of,
)
