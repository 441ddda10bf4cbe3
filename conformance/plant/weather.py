"""Sun, clouds and loads over a day, the same for the same seed."""

from math import pi, sin
from random import Random

from .scenario import DAY_S, HOUR_S, LoadModel, SunModel

SKIES = (1.0, 0.7, 0.35)


class Sun:
    """What the panels could give at this moment [A]."""

    def __init__(self, model: SunModel, random: Random) -> None:
        self.model = model
        self.random = random
        self.sky = 1.0
        self.shown = 1.0
        self.left_s = 0.0

    def amps(self, day_s: float, dt_s: float) -> float:
        """Let `dt_s` pass, and return the current. `day_s`: the time of day."""
        model = self.model
        if model.cloudy:
            self.left_s -= dt_s
            if self.left_s <= 0:
                self.sky = self.random.choice(SKIES)
                self.left_s = self.random.expovariate(1 / model.cloud_s)
        self.shown += (self.sky - self.shown) * min(1.0, dt_s / model.smoothing_s)
        rise_s, set_s = model.sunrise_h * HOUR_S, model.sunset_h * HOUR_S
        if not rise_s < day_s < set_s:
            return 0.0
        return model.peak_a * sin(pi * (day_s - rise_s) / (set_s - rise_s)) * self.shown


class Load:
    """What the house draws at this moment [A]."""

    def __init__(self, model: LoadModel, random: Random) -> None:
        self.model = model
        self.random = random
        self.running: list[tuple[float, float]] = []  # (ends at, amperes)
        self._hour = -1
        self._base_a = model.base_a

    def amps(self, now_s: float, dt_s: float) -> float:
        """Let `dt_s` pass, and return the current. `now_s` counts from a midnight."""
        model = self.model
        if now_s // HOUR_S != self._hour:
            self._hour = int(now_s // HOUR_S)
            swing_a = model.base_swing_a
            self._base_a = max(0.0, model.base_a + self.random.uniform(-swing_a, swing_a))
        hour = now_s % DAY_S / HOUR_S
        working = model.working_h[0] <= hour < model.working_h[1]
        if working and self.random.random() < model.steps_per_h * dt_s / HOUR_S:
            ends_s = now_s + self.random.expovariate(1 / model.step_s)
            self.running.append((ends_s, self.random.choice(model.steps_a)))
        self.running = [one for one in self.running if one[0] > now_s]
        total = self._base_a + sum([amps for _, amps in self.running])
        if model.evening_start_h <= hour < model.evening_end_h:
            total += model.evening_a
        return total
