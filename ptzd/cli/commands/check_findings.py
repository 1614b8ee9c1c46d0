"""What a check found out: one sentence about one thing, and whether that is fine."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

State = Literal["ok", "caution", "failed", "unseen"]
WORDS: dict[State, str] = {"ok": "ok", "caution": "caution", "failed": "failed", "unseen": "not seen"}


@dataclass(frozen=True, slots=True)
class Finding:
    """`subject` is whose it is, such as "camera left", and `what` the thing that was looked at, such as "power".

    `sentence` says what was found and what would help. What could not be looked at is `unseen`, never `ok`.
    """

    subject: str
    what: str
    state: State
    sentence: str


class Notes:
    """The findings on one subject, as they come."""

    def __init__(self, subject: str) -> None:
        self.findings: list[Finding] = []
        self._subject = subject

    def ok(self, what: str, sentence: str) -> None:
        """Note that something is well."""
        self._note(what, "ok", sentence)

    def caution(self, what: str, sentence: str) -> None:
        """Note something to think of; it fails no check."""
        self._note(what, "caution", sentence)

    def failed(self, what: str, sentence: str) -> None:
        """Note something that must be put right."""
        self._note(what, "failed", sentence)

    def unseen(self, what: str, sentence: str) -> None:
        """Note something that nobody knows."""
        self._note(what, "unseen", sentence)

    def unseen_rest(self, whats: Iterable[str], sentence: str) -> None:
        """Note all of these that nothing was noted of as what nobody knows."""
        noted = {finding.what for finding in self.findings}
        for what in whats:
            if what not in noted:
                self.unseen(what, sentence)

    def forget(self, what: str) -> None:
        """Take back what was noted of something: more is known by now."""
        self.findings[:] = [finding for finding in self.findings if finding.what != what]

    def _note(self, what: str, state: State, sentence: str) -> None:
        self.findings.append(Finding(self._subject, what, state, sentence))


def verdict(findings: Sequence[Finding]) -> str:
    """Return what all findings come to. That all is ready it never says: it knows what was looked at, and no more."""
    count = {state: sum(finding.state == state for finding in findings) for state in WORDS}
    failed = ", ".join(dict.fromkeys(f"{each.subject} ({each.what})" for each in findings if each.state == "failed"))
    first = (
        f"To be put right before anything goes on: {failed}"
        if failed
        else "Of what was looked at nothing must be put right"
    )
    cautions = f"{count['caution']} to think of" if count["caution"] else "nothing to think of"
    return f"{first}; {cautions}, {count['unseen'] or 'nothing'} not seen."


def as_json(findings: Sequence[Finding]) -> dict[str, Any]:
    """Return all findings for machines."""
    return {
        "ok": all(finding.state != "failed" for finding in findings),
        "findings": [asdict(finding) for finding in findings],
    }
