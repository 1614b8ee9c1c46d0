"""The JSON Schema of every message, by topic."""

from __future__ import annotations

from typing import Any

from pydantic import TypeAdapter

from . import commands, messages

_DRAFT = "https://json-schema.org/draft/2020-12/schema"  # what pydantic writes

_COMMANDS: dict[str, type[commands.Command]] = {
    "camera/NAME/recall": commands.RecallCommand,
    "camera/NAME/store": commands.StoreCommand,
    "camera/NAME/drive": commands.DriveCommand,
    "camera/NAME/stop": commands.StopCommand,
    "camera/NAME/lock": commands.LockCommand,
    "camera/NAME/unlock": commands.UnlockCommand,
    "camera/NAME/tally": commands.TallyCommand,
    "camera/NAME/rename": commands.RenameCommand,
    "camera/NAME/delete": commands.DeleteCommand,
    "camera/NAME/revert": commands.RevertCommand,
    "camera/NAME/history": commands.HistoryCommand,
    "camera/NAME/learn": commands.LearnCommand,
    "all/stop": commands.StopCommand,
    "cue/standby": commands.CueCommand,
    "cue/go": commands.CueCommand,
    "cue/back": commands.BackCommand,
    "cue/jump": commands.JumpCommand,
    "cue/hold": commands.HoldCommand,
    "cue/release": commands.ReleaseCommand,
    "show/export": commands.ExportCommand,
    "show/import": commands.ImportCommand,
}
_SAID: dict[str, type[messages.Message]] = {
    "status": messages.StatusMessage,
    "outcome": messages.OutcomeMessage,
    "camera/NAME/state": messages.StateMessage,
    "camera/NAME/move": messages.MoveMessage,
    "camera/NAME/positions": messages.PositionsMessage,
    "camera/NAME/learn-progress": messages.LearnProgressMessage,
    "cue/state": messages.CueStateMessage,
}
_RESULTS: dict[str, Any] = {
    "camera/NAME/history": messages.HistoryResult,
    "camera/NAME/learn": messages.LearnResult | messages.LearnEstimate,
    "cue/go": messages.GoResult,
    "show/export": messages.ExportResult,
    "show/import": messages.ImportResult,
}


def schemas() -> dict[str, dict[str, Any]]:
    """Return three groups of schemas by topic below the base: `commands`, `reports`, and `results` of outcomes."""
    return {
        "commands": {topic: _schema(model, "validation") for topic, model in _COMMANDS.items()},
        "reports": {topic: _schema(model, "serialization") for topic, model in _SAID.items()},
        "results": {topic: _schema(model, "serialization") for topic, model in _RESULTS.items()},
    }


def _schema(model: Any, mode: Any) -> dict[str, Any]:
    return {"$schema": _DRAFT, **TypeAdapter(model).json_schema(mode=mode)}
