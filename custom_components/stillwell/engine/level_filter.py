"""Level and net flow of a vessel from noisy, rounded readings: a Kalman filter with a memory.

The level moves by its net flow, and the net flow wanders (integrated Wiener process). A
reading that was rounded to a coarse step says only between which two values the level lies;
such a reading is taken up by matching moments, which for fine steps becomes the ordinary
Kalman update.

Source: R. E. Kalman 1960; quantised measurements after R. E. Curry, Estimation and Control
with Quantized Measurements (MIT Press 1970), from memory; the level at the start is kept in the
state, which makes it a fixed-point smoother (Anderson & Moore, Optimal Filtering, 1979,
from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import erf, exp, pi, sqrt
from typing import Final, Self

_COARSE_FRAC: Final = 0.5
"""Rounding steps finer than this share of the predicted spread are treated as plain noise."""

_ROOT_HALF: Final = sqrt(0.5)
_ROOT_2PI: Final = sqrt(2.0 * pi)
_LEAST_PROBABILITY: Final = 1e-6
_CLIP_SIGMA: Final = 3.0
"""A reading further off than this moves the level no further than one that far off (Huber)."""

_ALIKE_S: Final = 13751.0
"""A radian of a day: use that follows day and night is alike for about so long."""

_LEAST_FLOW_VAR: Final = 1e-30

N_NUMBERS: Final = 10

type LevelState = tuple[float, float, float, float, float, float, float, float, float, float]
"""Time, level, net flow, their covariances, level at the start and its covariances."""


@dataclass(slots=True)
class LevelFilter:
    """Level (L), net flow (L/s) and the level where the segment began, with covariances."""

    t_s: float
    level_l: float
    flow_l_per_s: float
    p_ll: float
    p_lf: float
    p_ff: float
    start_l: float
    p_ss: float
    p_sl: float
    p_sf: float

    @classmethod
    def begin(cls, t_s: float, level_l: float, var: float, flow: float, flow_var: float) -> Self:
        """Return a filter that begins a segment at a first level."""
        return cls(t_s, level_l, flow, var, 0.0, flow_var, level_l, var, var, 0.0)

    def after_jump(
        self, t_s: float, level_l: float, var: float, flow: float, q_flow: float
    ) -> Self:
        """Return a filter that begins anew at another level while the same net flow goes on.

        What the coming readings tell of the flow tells of the level before the jump as well, and
        of what flowed meanwhile; the correction goes into the level at the start, so that start
        less level stays the best sum of what has flowed since. The longer the flow has worked on
        that level unseen, the less it was the flow of now: use turns with the day.

        Args:
            t_s: When it begins.
            level_l: First level, L.
            var: Its variance, L2.
            flow: Net flow then, L/s.
            q_flow: Wander of the net flow, (L/s)2/s.
        """
        self.advance(t_s, q_flow)
        off_var = max(0.0, self.p_ss + self.p_ll - 2.0 * self.p_sl)
        off_flow = self.p_sf - self.p_lf
        worked_s = off_flow / max(self.p_ff, _LEAST_FLOW_VAR)
        off_flow *= exp(-((worked_s / _ALIKE_S) ** 2))
        return type(self)(
            t_s, level_l, flow, var, 0.0, self.p_ff, level_l, var + off_var, var, off_flow
        )

    def state(self) -> LevelState:
        """Return the state as plain numbers."""
        return (
            self.t_s,
            self.level_l,
            self.flow_l_per_s,
            self.p_ll,
            self.p_lf,
            self.p_ff,
            self.start_l,
            self.p_ss,
            self.p_sl,
            self.p_sf,
        )

    @classmethod
    def from_state(cls, values: Sequence[float]) -> Self:
        """Return a filter from ``state``; raises ValueError on nonsense."""
        if len(values) != N_NUMBERS:
            raise ValueError(f"a level filter has {N_NUMBERS} numbers, not {len(values)}")
        return cls(*(float(v) for v in values))

    def advance(self, t_s: float, q_flow: float) -> None:
        """Predict to ``t_s``; ``q_flow`` is the wander of the net flow, (L/s)2/s."""
        dt = t_s - self.t_s
        if dt <= 0.0:
            return
        self.t_s = t_s
        self.level_l += self.flow_l_per_s * dt
        p_lf, p_ff = self.p_lf, self.p_ff
        self.p_ll += dt * (2.0 * p_lf + dt * (p_ff + q_flow * dt / 3.0))
        self.p_lf = p_lf + dt * (p_ff + 0.5 * q_flow * dt)
        self.p_ff = p_ff + q_flow * dt
        self.p_sl += dt * self.p_sf

    def observe(self, reading_l: float, var: float, width_l: float) -> None:
        """Take up a reading with white noise ``var``, rounded to steps of ``width_l``."""
        spread = self.p_ll + var
        error = reading_l - self.level_l
        if width_l * width_l < _COARSE_FRAC * _COARSE_FRAC * spread:
            self._take_plain(error, spread + width_l * width_l / 12.0)
            return
        root = sqrt(spread)
        low, high = (error - 0.5 * width_l) / root, (error + 0.5 * width_l) / root
        inside = 0.5 * (erf(high * _ROOT_HALF) - erf(low * _ROOT_HALF))
        if inside < _LEAST_PROBABILITY:
            self._take_plain(error, spread + width_l * width_l / 12.0)
            return
        at_low = exp(-0.5 * low * low) / _ROOT_2PI
        at_high = exp(-0.5 * high * high) / _ROOT_2PI
        shift = (at_low - at_high) / inside
        shrink = shift * shift - (low * at_low - high * at_high) / inside
        self._correct(shift / root, max(0.0, shrink) / spread)

    def _take_plain(self, error: float, spread: float) -> None:
        far = abs(error) / sqrt(spread)
        scale = 1.0 if far <= _CLIP_SIGMA else _CLIP_SIGMA / far
        self._correct(scale * error / spread, scale / spread)

    def _correct(self, step: float, shrink: float) -> None:
        p_ll, p_lf, p_sl = self.p_ll, self.p_lf, self.p_sl
        self.level_l += p_ll * step
        self.flow_l_per_s += p_lf * step
        self.start_l += p_sl * step
        self.p_ff -= p_lf * p_lf * shrink
        self.p_ss -= p_sl * p_sl * shrink
        self.p_sf -= p_sl * p_lf * shrink
        keep = 1.0 - p_ll * shrink
        self.p_ll = p_ll * keep
        self.p_lf = p_lf * keep
        self.p_sl = p_sl * keep

    def loosen(self, off_l: float) -> None:
        """Admit that the level may have changed at once by about ``off_l``."""
        self.p_ll += off_l * off_l
