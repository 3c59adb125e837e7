"""A reservoir in a room with days, nights and weather, and a probe that drifts with its warmth."""

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass

HOUR, DAY = 3600.0, 86400.0
START = 1_780_012_800.0  # midnight UTC


@dataclass
class Room:
    """A box of 900 cm2 that loses 3 L a day, in a room with days, nights and weather."""

    drift_m_per_k: float
    seed: int = 1
    interval_s: float = 120.0
    sigma_m: float = 0.001
    weather_k: float = 1.0
    swing: float = 0.3

    def rows(self, days: float) -> Iterator[tuple[float, float, float, float]]:
        """Yield time, reading, temperature and true depth."""
        rnd = random.Random(self.seed)
        weather, depth_m, t_s = 0.0, 0.30, 0.0
        # Weather remembers itself for half a day (first-order autoregression).
        keep = math.exp(-self.interval_s / (0.5 * DAY))
        while t_s < days * DAY:
            t_s += self.interval_s
            phase = 2.0 * math.pi * t_s / DAY
            weather = keep * weather + rnd.gauss(0.0, self.weather_k * math.sqrt(1 - keep * keep))
            temp_c = 24.0 + 1.5 * math.sin(phase - 2.0) + weather
            use = 3.0 * (1.0 + self.swing * math.sin(phase - 2.0))
            depth_m -= use / 90.0 * self.interval_s / DAY
            if depth_m < 0.10:
                depth_m = 0.30
            read_m = depth_m + self.drift_m_per_k * (temp_c - 24.0) + rnd.gauss(0.0, self.sigma_m)
            yield START + t_s, read_m, temp_c, depth_m
