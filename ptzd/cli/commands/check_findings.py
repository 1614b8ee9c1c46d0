"""What a check found out: one sentence about one thing, and whether that is fine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

State = Literal["ok", "caution", "failed"]


@dataclass(frozen=True, slots=True)
class Finding:
    """`subject` is what was looked at, such as "camera left"; `sentence` says what was found and what would help."""

    subject: str
    state: State
    sentence: str

    def line(self) -> str:
        """Return it as people read it."""
        return f"{self.state:<8} {self.subject}: {self.sentence}"


class Notes:
    """The findings on one subject, as they come."""

    def __init__(self, subject: str) -> None:
        self.findings: list[Finding] = []
        self._subject = subject

    def ok(self, sentence: str) -> None:
        """Note that something is well."""
        self._note("ok", sentence)

    def caution(self, sentence: str) -> None:
        """Note something to think of; it fails no check."""
        self._note("caution", sentence)

    def failed(self, sentence: str) -> None:
        """Note something that must be put right."""
        self._note("failed", sentence)

    def _note(self, state: State, sentence: str) -> None:
        self.findings.append(Finding(self._subject, state, sentence))


def as_json(findings: Sequence[Finding]) -> dict[str, Any]:
    """Return all findings for machines."""
    return {
        "ok": all(finding.state != "failed" for finding in findings),
        "findings": [
            {"subject": finding.subject, "state": finding.state, "sentence": finding.sentence} for finding in findings
        ],
    }
