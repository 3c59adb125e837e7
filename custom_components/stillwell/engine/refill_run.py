"""One run of a fill line as a production test of what feeds it: clean or not, and what was read.

A run tells of a membrane only if it was an ordinary one: begun by the line's rule, alone on its
vessel, with a good level throughout, long enough, and moving more water than the level's own
uncertainty.
"""

from dataclasses import dataclass, field
from math import hypot, sqrt
from typing import Final

from .quantities import DAY_S, MINUTE_S

SHORTEST_S: Final = 20 * MINUTE_S
"""A unit needs some minutes to reach its pressure and its purity (common practice, no source)."""
RINSE_S: Final = 5 * MINUTE_S
"""Salts diffuse through an idle membrane: the first litre is near feed strength (common practice,
no source)."""
WORST_ERROR_FRAC: Final = 0.05
"""Well below the loss of production that is worth a notice."""
SPACING_S: Final = 10.0
SEEN_FRAC: Final = 0.5


@dataclass(frozen=True, slots=True)
class Sight:
    """What is seen of a run at one moment; None: not known, or not there."""

    run_started_s: float | None
    """When the run in progress began; None: none is in progress."""
    is_plain: bool
    """No hand in it, and a good level; counts while it lasts."""
    is_tripped: bool
    """The line is locked out; a trip is seen when the run is over."""
    is_alone: bool
    """No other line fills the vessel now."""
    temp_c: float | None = None
    feed_bar: float | None = None
    feed_mg_per_l: float | None = None
    product_mg_per_l: float | None = None


@dataclass(slots=True)
class Mean:
    """The mean of what was read, and how often it was there."""

    total: float = 0.0
    count: int = 0

    def take(self, value: float | None) -> None:
        """Take a reading."""
        if value is not None:
            self.total += value
            self.count += 1

    def value(self, looks: int) -> float | None:
        """Return the mean; None if it was missing in half of the looks or more."""
        return self.total / self.count if self.count > SEEN_FRAC * looks else None


@dataclass(slots=True)
class RefillRun:
    """What was seen of one run from its beginning to its end."""

    started_s: float
    ended_s: float | None = None
    is_plain: bool = True
    is_alone: bool = True
    _looks: int = 0
    _rinsed_looks: int = 0
    _looked_s: float | None = None
    _temp_c: Mean = field(default_factory=Mean)
    _feed_bar: Mean = field(default_factory=Mean)
    _feed_mg_per_l: Mean = field(default_factory=Mean)
    _product_mg_per_l: Mean = field(default_factory=Mean)

    def look(self, t_s: float, sight: Sight) -> None:
        """Take what is seen now; readings count while the run lasts."""
        self.is_plain = self.is_plain and not sight.is_tripped
        if sight.run_started_s != self.started_s:
            if self.ended_s is None:
                self.ended_s = t_s
            return
        self.is_plain = self.is_plain and sight.is_plain
        self.is_alone = self.is_alone and sight.is_alone
        if self._looked_s is not None and t_s - self._looked_s < SPACING_S:
            return
        self._looked_s = t_s
        self._looks += 1
        self._temp_c.take(sight.temp_c)
        self._feed_bar.take(sight.feed_bar)
        if t_s - self.started_s >= RINSE_S:
            self._rinsed_looks += 1
            self._feed_mg_per_l.take(sight.feed_mg_per_l)
            self._product_mg_per_l.take(sight.product_mg_per_l)

    @property
    def temp_c(self) -> float | None:
        """Mean temperature of the feed, degC."""
        return self._temp_c.value(self._looks)

    @property
    def feed_bar(self) -> float | None:
        """Mean pressure of the feed, bar."""
        return self._feed_bar.value(self._looks)

    @property
    def feed_mg_per_l(self) -> float | None:
        """Mean dissolved solids of the feed, mg/L, after the first minutes."""
        return self._feed_mg_per_l.value(self._rinsed_looks)

    @property
    def product_mg_per_l(self) -> float | None:
        """Mean dissolved solids of the product, mg/L, after the first minutes."""
        return self._product_mg_per_l.value(self._rinsed_looks)

    def is_of(self, start_s: float, end_s: float) -> bool:
        """Return whether a rise of the level from one time to another came of this run."""
        return start_s <= (self.ended_s or end_s) and self.started_s <= end_s

    def production_l_per_day(self, product_l: float, error_l: float | None) -> float | None:
        """Return litres a day; None if the run tells nothing of them.

        Args:
            product_l: What it brought.
            error_l: One standard deviation of a single level reading; None: not known yet.
        """
        if self.ended_s is None or not (self.is_plain and self.is_alone) or error_l is None:
            return None
        took_s = self.ended_s - self.started_s
        if took_s < SHORTEST_S or error_l > WORST_ERROR_FRAC * product_l:
            return None
        return product_l * DAY_S / took_s


def reading_error_l(noise_l: float | None, resolution_l: float | None) -> float | None:
    """Return one standard deviation of a single level reading, L; None: neither part is known.

    Args:
        noise_l: Of the reading before it is rounded.
        resolution_l: Its rounding step, which adds a twelfth of its square to the variance.
    """
    if noise_l is None and resolution_l is None:
        return None
    return hypot(noise_l or 0.0, (resolution_l or 0.0) / sqrt(12.0))
