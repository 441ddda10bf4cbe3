"""A charger that hears the limits late, moves slowly, and never lifts the bus above its voltage."""

from collections import deque

from attrs import frozen

from .scenario import ChargerModel


@frozen
class Command:
    """What chargers are told: amperes into the bank, volts at most, and whether at all."""

    charge_a: float
    volt: float
    allowed: bool


STOP = Command(0.0, 0.0, False)


class Charger:
    """All chargers of the site as one. `output_a` is what it puts on the bus."""

    def __init__(self, model: ChargerModel) -> None:
        self.model = model
        self.heard: deque[tuple[float, Command]] = deque()
        self.obeyed = STOP
        self.output_a = 0.0

    def tell(self, now_s: float, command: Command) -> None:
        """Send it a command; it arrives after the latency."""
        self.heard.append((now_s + self.model.latency_s, command))

    def put_out(
        self, now_s: float, dt_s: float, sun_a: float, load_a: float, clamp_a: float, ignores: bool
    ) -> float:
        """Return its output [A]. `clamp_a(volt)` gives the total that holds the bus at a voltage."""
        while self.heard and self.heard[0][0] <= now_s:
            self.obeyed = self.heard.popleft()[1]
        command = self.obeyed
        limit_a = command.charge_a if command.allowed else 0.0
        if self.model.limits == "battery":
            limit_a += load_a if command.allowed else 0.0
        if ignores:
            limit_a = self.model.ceiling_a
        wanted_a = max(0.0, min(sun_a, limit_a, self.model.ceiling_a))
        if wanted_a > self.output_a:
            wanted_a = min(wanted_a, self.output_a + self.model.rise_a_per_s * dt_s)
        elif sun_a >= self.output_a:
            wanted_a = max(wanted_a, self.output_a - self.model.fall_a_per_s * dt_s)
        self.output_a = max(0.0, min(wanted_a, clamp_a + load_a))
        return self.output_a
