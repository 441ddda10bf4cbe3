"""One limit: it falls at once and rises slowly, at most one nominal step of rise a call.

The position of a limit is its value plus `carry` thousandths; whole units are paid out, the rest
is carried, so that a slow ramp is not lost to rounding. A limit that something else holds down
starts its next rise from exactly there.
"""

from .reference import NO_CAP


class Limit:
    """A limit and its caps: one for each row of a table of rules, whose last row is the ramp."""

    def __init__(self, value: int, rows: int) -> None:
        self.caps = [NO_CAP] * rows  # what each rule said in the last step
        self.value = value
        self.row = 0  # of the cap that holds the limit
        self.previous = value
        self.ramp_to = value
        self.carry = 0

    def climb(self, rate_per_s: int, rise_ms: int, held: bool) -> None:
        """Set how far the limit may rise in this step.

        `rate_per_s`: units a second; `rise_ms`: the time of it that counts, at most a nominal step;
        `held`: nothing may rise now.
        """
        self.previous = self.value
        if held:
            self.ramp_to = self.value
            return
        earned = self.carry + rate_per_s * rise_ms
        self.carry = earned % 1_000
        self.ramp_to = self.value + earned // 1_000

    def settle(self) -> None:
        """Let the least cap win; at a tie the one of the earlier row."""
        self.value = min(self.caps)
        self.row = self.caps.index(self.value)
        if self.row != len(self.caps) - 1:
            self.carry = 0  # something other than the ramp holds the limit
