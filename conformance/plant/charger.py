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
    """One charger. `output_a` is what it puts on the bus."""

    def __init__(self, model: ChargerModel) -> None:
        self.model = model
        self.heard: deque[tuple[float, Command]] = deque()
        self.obeyed = STOP
        self.output_a = 0.0
        self._heard_s = 0.0

    def tell(self, now_s: float, command: Command) -> None:
        """Send it a command; it arrives after the latency."""
        self.heard.append((now_s + self.model.latency_s, command))

    def want_a(
        self, now_s: float, dt_s: float, sun_a: float, load_a: float, ignores: bool = False
    ) -> float:
        """Return the output [A] it goes for, within its slew rates, before its voltage limit.

        Of the sun, the loads and the limit it takes its `part`. When the sun goes, it falls at once.
        """
        model = self.model
        self._listen(now_s)
        sun_a *= model.part
        limit_a = 0.0
        if self.obeyed.allowed:
            limit_a = self.obeyed.charge_a * model.part
            if model.limits == "battery":
                limit_a += load_a * model.part
        if ignores:
            limit_a = model.ceiling_a
        wanted_a = max(0.0, min(sun_a, limit_a, model.ceiling_a))
        if wanted_a > self.output_a:
            return min(wanted_a, self.output_a + model.rise_a_per_s * dt_s)
        slewed_a = self.output_a - model.fall_a_per_s * dt_s
        return max(wanted_a, min(slewed_a, sun_a))

    def _listen(self, now_s: float) -> None:
        while self.heard and self.heard[0][0] <= now_s:
            self._heard_s, self.obeyed = self.heard.popleft()
        gives_up_s = self.model.gives_up_s
        if gives_up_s and now_s - self._heard_s > gives_up_s:
            self.obeyed = STOP
