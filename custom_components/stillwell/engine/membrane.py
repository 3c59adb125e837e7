"""RO/DI unit: production made comparable, its trend, rejection, waste, and litres per stage.

A membrane yields less when the water is cold and when the pressure is low; only what is left
after both are taken out says anything of its state.
"""

from collections import deque
from enum import StrEnum
from math import exp, isfinite, log
from statistics import median
from typing import Any, Final

from .invalid import Code
from .validity import (
    DamagedError,
    InputError,
    InputFault,
    MixUp,
    not_negative,
    positive,
    water_temp_c,
    within,
)

WARM_K: Final = 2640.0
COLD_K: Final = 3020.0
"""Constants of the temperature correction from 25 degC upward and below; suppliers' values
differ, and both may be set."""
BAR_PER_MG_PER_L: Final = 0.0689e-2
"""Osmotic pressure of mixed salts: 1 psi per 100 mg/L (common practice, no source)."""
COLDEST_C: Final = 2.0
WARMEST_C: Final = 45.0
LOWEST_BAR: Final = 0.5
HIGHEST_BAR: Final = 20.0
MG_PER_L_PER_US_PER_CM: Final = 0.5
"""Dissolved solids of drinking water by its conductivity: 0.5 to 0.7 (common practice, no
source). In a rejection it cancels out."""

PSI: Final = MixUp(InputFault.OUTSIDE_RANGE, "psi", 1.0 / 14.5038)
KPA: Final = MixUp(InputFault.OUTSIDE_RANGE, "kPa", 0.01)

RUNS_KEPT: Final = 40
BASELINE_RUNS: Final = 5
RECENT_RUNS: Final = 3
NOTICE_FRAC: Final = 0.85
"""A membrane is cleaned or changed after 10 to 15 % of loss (common practice, no source)."""


class Stage(StrEnum):
    """A stage of a unit, in the order the water meets them."""

    SEDIMENT = "sediment"
    CARBON = "carbon"
    MEMBRANE = "membrane"
    RESIN = "resin"


def temperature_factor(temp_c: float, warm_k: float = WARM_K, cold_k: float = COLD_K) -> float:
    """Return production at a temperature over that at 25 degC; 2 to 45 degC.

    Raises:
        InputError: Outside that range; Fahrenheit is recognised above it.

    Source: form of ASTM D4516, exp(K (1/298 - 1/(273 + T))); constants of common practice.
    """
    water_temp_c(temp_c, COLDEST_C, WARMEST_C)
    k = warm_k if temp_c >= 25.0 else cold_k  # noqa: PLR2004 - the reference temperature
    return exp(k * (1.0 / 298.0 - 1.0 / (273.0 + temp_c)))


def driving_bar(feed_bar: float, feed_mg_per_l: float, recovery_frac: float) -> float:
    """Return the pressure that drives water through the membrane, bar.

    Args:
        feed_bar: Gauge pressure of the feed, bar, 0.5 to 20; the permeate runs free.
        feed_mg_per_l: Dissolved solids of the feed.
        recovery_frac: Product over feed, above 0 and below 0.9.

    Raises:
        InputError: Outside these ranges, or the feed is too salt for its pressure.

    Source: ASTM D4516, net driving pressure; concentration by the logarithmic mean.
    """
    within("a feed pressure", feed_bar, LOWEST_BAR, HIGHEST_BAR, unit="bar", mix_ups=(PSI, KPA))
    not_negative("dissolved solids", feed_mg_per_l, "mg/L")
    within("a recovery", recovery_frac, 0.01, 0.9)
    mean = feed_mg_per_l * log(1.0 / (1.0 - recovery_frac)) / recovery_frac
    return positive("a driving pressure", feed_bar - mean * BAR_PER_MG_PER_L, "bar")


def normalised_l_per_day(
    measured_l_per_day: float,
    temp_c: float,
    driving: float | None = None,
    reference_driving: float | None = None,
) -> float:
    """Return what a production would be at 25 degC and the reference pressure, L/d.

    Args:
        measured_l_per_day: As measured during a fill.
        temp_c: Temperature of the feed water.
        driving: Driving pressure now, bar; None: not known, only the temperature counts.
        reference_driving: That of the reference, bar.

    Raises:
        InputError: Outside the ranges; only one of the two pressures.

    Source: ASTM D4516.
    """
    flow = not_negative("a production", measured_l_per_day, "L/d") / temperature_factor(temp_c)
    if (driving is None) != (reference_driving is None):
        raise InputError(InputFault.NO_REFERENCE, Code.PRESSURE_ALONE)
    if driving is None or reference_driving is None:
        return flow
    return flow * positive("a pressure", reference_driving) / positive("a pressure", driving)


def rejection_frac(feed_mg_per_l: float, product_mg_per_l: float) -> float:
    """Return the share of dissolved solids held back.

    Raises:
        InputError: A feed without any, or a product stronger than the feed.
    """
    positive("dissolved solids of the feed", feed_mg_per_l, "mg/L")
    within("dissolved solids of the product", product_mg_per_l, 0.0, feed_mg_per_l, unit="mg/L")
    return 1.0 - product_mg_per_l / feed_mg_per_l


def recovery_frac(waste_per_product: float) -> float:
    """Return product over feed for litres of waste per litre of product.

    Raises:
        InputError: A negative ratio.
    """
    return 1.0 / (1.0 + not_negative("a ratio", waste_per_product))


def waste_l(product_l: float, waste_per_product: float) -> float:
    """Return what went down the drain for some product, L.

    Raises:
        InputError: A negative volume or ratio.
    """
    ratio = not_negative("a ratio", waste_per_product)
    return not_negative("a volume", product_l, "L") * ratio


class MembraneState(StrEnum):
    """What the trend of the normalised production says."""

    LEARNING = "learning"
    NORMAL = "normal"
    PRODUCTION_FALLING = "production_falling"
    """Prefilter clogged, pressure low, or membrane scaled: look in this order."""
    PRODUCTION_RISING = "production_rising"
    """With rejection falling too the membrane leaks; else the restrictor wears."""


class Membrane:
    """Follows one unit by the normalised production of each refill."""

    __slots__ = ("_baseline", "_runs", "_stages_l")

    def __init__(self, stages: tuple[str, ...] = ("prefilter", "membrane", "resin")) -> None:
        self._runs: deque[float] = deque(maxlen=RUNS_KEPT)
        self._baseline: float | None = None
        self._stages_l = dict.fromkeys(stages, 0.0)

    def run(
        self, product_l: float, normalised: float | None, waste_per_product: float = 0.0
    ) -> None:
        """Note a refill: what it brought and its normalised production, L/d.

        Args:
            product_l: What it brought.
            normalised: None: the run says nothing of the membrane, its litres count all the same.
            waste_per_product: Litres to the drain per litre of product.

        Raises:
            InputError: A volume or production that is not above 0.
        """
        positive("a volume", product_l, "L")
        if normalised is not None:
            self._runs.append(positive("a production", normalised, "L/d"))
            if self._baseline is None and len(self._runs) >= BASELINE_RUNS:
                self._baseline = median(self._runs)
        drained = waste_l(product_l, waste_per_product)
        for stage in self._stages_l:
            # All of the feed passes the prefilter and the membrane; only the product the resin.
            self._stages_l[stage] += product_l + (0.0 if stage == Stage.RESIN else drained)

    @property
    def ratio(self) -> float | None:
        """Median of the last three runs over the baseline; None while it is learned."""
        if self._baseline is None:
            return None
        return median(list(self._runs)[-RECENT_RUNS:]) / self._baseline

    @property
    def state(self) -> MembraneState:
        """What the trend says."""
        ratio = self.ratio
        if ratio is None:
            return MembraneState.LEARNING
        if ratio < NOTICE_FRAC:
            return MembraneState.PRODUCTION_FALLING
        if ratio > 1.0 / NOTICE_FRAC:
            return MembraneState.PRODUCTION_RISING
        return MembraneState.NORMAL

    def passed_l(self, stage: str) -> float:
        """Return the litres through a stage since it was changed.

        Raises:
            InputError: No such stage.
        """
        if stage not in self._stages_l:
            raise InputError(InputFault.OUTSIDE_RANGE, Code.NO_STAGE, stage=stage)
        return self._stages_l[stage]

    def changed(self, stage: str) -> None:
        """Start a stage's litres anew; with the membrane or prefilter also the baseline.

        Raises:
            InputError: No such stage.
        """
        self.passed_l(stage)
        self._stages_l[stage] = 0.0
        if stage != Stage.RESIN:
            self.forget_trend()

    def forget_trend(self) -> None:
        """Learn the baseline anew: what is compared is no longer the same."""
        self._runs.clear()
        self._baseline = None

    def keep(self, stages: tuple[str, ...]) -> None:
        """Have these stages and no others; a new one begins at 0."""
        self._stages_l = {stage: self._stages_l.get(stage, 0.0) for stage in stages}

    def snapshot(self) -> dict[str, Any]:
        """Return what was learned and counted."""
        return {
            "runs": list(self._runs), "baseline": self._baseline, "stages_l": dict(self._stages_l),
        }  # fmt: skip

    @classmethod
    def restore(cls, data: dict[str, Any]) -> Membrane:
        """Return the unit of a snapshot.

        Raises:
            ValueError: The snapshot is damaged.
        """
        runs, baseline, stages = (data.get(key) for key in ("runs", "baseline", "stages_l"))
        if not isinstance(runs, list) or not isinstance(stages, dict):
            raise DamagedError(InputFault.OUTSIDE_RANGE, "no runs or no stages")
        above_0 = [*runs, *([] if baseline is None else [baseline])]
        numbers = [*above_0, *stages.values()]
        if not all(isinstance(value, int | float) and isfinite(value) for value in numbers):
            raise DamagedError(InputFault.NOT_FINITE, "a number of the unit is damaged")
        if min(above_0, default=1.0) <= 0.0 or min(stages.values(), default=0.0) < 0.0:
            raise DamagedError(InputFault.OUTSIDE_RANGE, "a number of the unit is too low")
        unit = cls(tuple(stages))
        unit._runs.extend(runs)
        unit._baseline = baseline
        unit._stages_l.update(stages)
        return unit
