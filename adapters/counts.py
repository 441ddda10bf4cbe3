"""What a talker or a link has seen: plain counters, board-safe."""


class Counts:
    """How many items came, were refused, went out, were dropped; how often the link was made again,
    and how often it failed.

    `trouble`: the last one-line reason, for people; `refusal`: that of the last refusal; None: there
    was none.
    """

    __slots__ = (
        "dropped", "failed", "opened", "received", "refusal", "refused", "sent", "trouble",
    )  # fmt: skip

    def __init__(self) -> None:
        self.received = 0
        self.refused = 0
        self.sent = 0
        self.dropped = 0
        self.opened = 0
        self.failed = 0
        self.trouble: str | None = None
        self.refusal: str | None = None

    def refuse(self, why: str) -> None:
        """Count one item that could not be taken."""
        self.refused += 1
        self.trouble = self.refusal = why

    def drop(self, why: str) -> None:
        """Count one item that got lost between us and the bus."""
        self.dropped += 1
        self.trouble = why
