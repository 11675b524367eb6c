"""The one exception by which a service says no. Its text is read by people."""

from accounts.told import Told


class Refusal(Exception):  # noqa: N818 - a refusal is an answer, not an error
    """What is so and what to do, in one or two sentences; optionally the form field it belongs to.

    rule: key of the rule that blocks (for tests and for the page's help); lifted_by: the role that can lift it.
    """

    def __init__(self, text: str | Told, *, field: str | None = None, rule: str = "", lifted_by: str = "") -> None:
        super().__init__(str(text))
        self.said = text  # as it can be kept
        self.text = str(text)
        self.field = field
        self.rule = rule
        self.lifted_by = lifted_by

    def __str__(self) -> str:
        return str(self.text)
