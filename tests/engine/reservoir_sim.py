"""A box of water and a cheap strip for the tests: own arithmetic, nothing of the package.

Base area 900 cm2, so 1 mm is 0.09 L; height 34 cm. Truth is kept beside every reading.
"""

import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

AREA_L_PER_M = 90.0
HEIGHT_M = 0.34
DAY = 86400.0
START = 1_780_012_800.0  # midnight UTC


@dataclass(frozen=True, slots=True)
class Row:
    """One report: time, reading (None: unavailable), true litres, true use so far, filling."""

    t_s: float
    depth_m: float | None
    volume_l: float
    used_l: float
    is_filling: bool


@dataclass(frozen=True, slots=True)
class Course:
    """What happens; times in days from the start."""

    days: float
    interval_s: float = 60.0
    use_l_per_day: float = 3.0
    swing: float = 0.2
    wander: float = 0.0  # sd of the log of use, remembered for five days
    start_l: float = 20.0
    sigma_m: float = 0.001
    step_m: float = 0.001
    spikes: float = 0.01
    probe_swing_m: float = 0.0  # the probe reads so much more in the afternoon, less at night
    pulse_l: float = 0.0
    fills: Sequence[tuple[float, float, float]] = ()  # (day, L/s, up to L)
    steps: Sequence[tuple[float, float]] = ()  # (day, L)
    zero: Sequence[tuple[float, float]] = ()  # (from day, to day): reads 0
    silent: Sequence[tuple[float, float]] = ()
    only_changes: bool = False
    seed: int = 1


def _within(day: float, spans: Sequence[tuple[float, float]]) -> bool:
    return any(a <= day < b for a, b in spans)


class _Box:
    """The water and what moves it."""

    def __init__(self, course: Course) -> None:
        self.course = course
        self.t, self.volume, self.used, self.owed = 0.0, course.start_l, 0.0, 0.0
        self.fills, self.steps = list(course.fills), list(course.steps)
        self.is_filling = False
        self.rnd, self.log = random.Random(course.seed + 1000), 0.0

    def move(self, dt: float) -> None:
        course = self.course
        if course.wander > 0.0:
            keep = math.exp(-dt / (5 * DAY))
            self.log *= keep
            self.log += self.rnd.gauss(0.0, course.wander * math.sqrt(1 - keep * keep))
        rate = course.use_l_per_day * (1 + course.swing * math.sin(2 * math.pi * self.t / DAY))
        rate *= math.exp(self.log)
        drawn = rate * dt / DAY
        if course.pulse_l > 0.0:
            self.owed += drawn
            drawn = course.pulse_l if self.owed >= course.pulse_l else 0.0
            self.owed -= drawn
        self.volume, self.used = self.volume - drawn, self.used + drawn
        self.is_filling = bool(self.fills) and self.t >= self.fills[0][0] * DAY
        if self.is_filling:
            self.volume += self.fills[0][1] * dt
            if self.volume >= self.fills[0][2]:
                del self.fills[0]
        if self.steps and self.t >= self.steps[0][0] * DAY:
            self.volume += self.steps.pop(0)[1]
        self.t += dt


def _shown(course: Course, box: _Box, rnd: random.Random) -> float:
    depth = box.volume / AREA_L_PER_M + rnd.gauss(0.0, course.sigma_m)
    depth += course.probe_swing_m * math.sin(2 * math.pi * (box.t / DAY - 0.4))
    if rnd.random() < course.spikes:
        depth += rnd.choice((-1, 1)) * rnd.uniform(0.005, 0.05)
    if _within(box.t / DAY, course.zero):
        return 0.0
    return max(0.0, round(depth / course.step_m) * course.step_m)


def reports(course: Course) -> Iterator[Row]:
    """Run the course."""
    rnd, box = random.Random(course.seed), _Box(course)
    dt = min(10.0, course.interval_s)
    last: float | None = None
    while box.t < course.days * DAY:
        for _ in range(round(course.interval_s / dt)):
            box.move(dt)
        if _within(box.t / DAY, course.silent):
            continue
        depth = _shown(course, box, rnd)
        if course.only_changes and depth == last:
            continue
        last = depth
        yield Row(START + box.t, depth, box.volume, box.used, box.is_filling)
