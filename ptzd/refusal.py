"""What was asked for and is not done: one kind of refusal for every room."""

from __future__ import annotations


class Refusal(Exception):
    """Something can't be done, or not now. Who raises it says what has changed by then: nothing, as a rule.

    `code` is for programs; `sentence` tells people what was wrong and what would be right. `hint` is what in the
    sentence holds for messages alone, such as the field to send: whoever was asked in another way says their own there.
    """

    def __init__(self, code: str, sentence: str, hint: str | None = None) -> None:
        super().__init__(sentence)
        self.code = code
        self.sentence = sentence
        self.hint = hint
