"""An RO/DI unit behind a fill line: production, purity, waste, and what its stages have passed."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from .membrane import (
    Membrane,
    MembraneState,
    Stage,
    driving_bar,
    normalised_l_per_day,
    recovery_frac,
    rejection_frac,
    waste_l,
)
from .refill_run import RefillRun, Sight
from .validity import DamagedError, InputError, InputFault, not_negative, number, positive, within
from .water_events import Fill

REFERENCE_BAR: Final = 4.14
REFERENCE_MG_PER_L: Final = 250.0
"""Membranes of this size are rated at 60 psi, 25 degC and 250 mg/L (common practice, no source)."""
LEAST_WASTE: Final = 0.2
MOST_WASTE: Final = 20.0


@dataclass(frozen=True, slots=True)
class UnitSpec:
    """What the keeper told of the unit.

    Raises:
        InputError: A ratio or a rated volume that no unit has.
    """

    waste_per_product: float
    stages: Mapping[str, float | None]
    """Stage to the litres it is rated for; None: not known."""
    by_temperature: bool = False
    by_pressure: bool = False

    def __post_init__(self) -> None:
        within("litres of waste per litre", self.waste_per_product, LEAST_WASTE, MOST_WASTE)
        for stage, rated_l in self.stages.items():
            Stage(stage)
            if rated_l is not None:
                positive("a rated volume", rated_l, "L")

    @property
    def basis(self) -> str:
        """What productions are corrected for; of different ones none is compared."""
        return f"temperature {self.by_temperature}, pressure {self.by_pressure}"


@dataclass(frozen=True, slots=True)
class UnitView:
    """What is shown; of the last run that tells it, None before there was one."""

    production_l_per_day: float | None
    normalised_l_per_day: float | None
    """At 25 degC; with a known pressure also at the reference pressure."""
    baseline_frac: float | None
    state: MembraneState
    rejection_frac: float | None
    wasted_l: float
    passed_l: dict[str, float]
    overdue: tuple[str, ...]
    """Stages that have passed what they are rated for."""
    refused: str | None
    """Why a reading of the last run was not taken."""


@dataclass(slots=True)
class _Figures:
    production_l_per_day: float | None = None
    normalised_l_per_day: float | None = None
    rejection_frac: float | None = None
    wasted_l: float = 0.0


@dataclass(slots=True)
class RodiUnit:
    """Follows the runs of one fill line."""

    spec: UnitSpec
    counted_s: float
    """Water that came before this was counted, or came before the unit was known."""
    _membrane: Membrane = field(init=False)
    _run: RefillRun | None = None
    _figures: _Figures = field(default_factory=_Figures)
    _refused: str | None = None
    _error_l: float | None = None

    def __post_init__(self) -> None:
        self._membrane = Membrane(tuple(self.spec.stages))

    def take(
        self, t_s: float, sight: Sight, fill: Fill | None, *, error_l: float | None, only_line: bool
    ) -> UnitView:
        """Take what is seen now.

        Args:
            t_s: Now.
            sight: The run in progress and what is read of the unit.
            fill: The last refill of the vessel that ended.
            error_l: One standard deviation of a single level reading, L; None: not known now.
            only_line: No other line leads into the vessel.
        """
        # A clock that was set back must not hide the refills of the coming hours.
        self.counted_s = min(self.counted_s, t_s)
        self._error_l = self._error_l if error_l is None else error_l
        if self._run is not None:
            self._run.look(t_s, sight)
        if self._has_begun(sight):
            self._run = RefillRun(sight.run_started_s or t_s)
            self._run.look(t_s, sight)
        if fill is not None and fill.end_s is not None and fill.start_s >= self.counted_s:
            self._book(fill, fill.end_s, only_line=only_line)
        return self.view

    def _has_begun(self, sight: Sight) -> bool:
        started_s = sight.run_started_s
        return started_s is not None and (self._run is None or self._run.started_s != started_s)

    def _book(self, fill: Fill, end_s: float, *, only_line: bool) -> None:
        self.counted_s = end_s
        run = self._run
        if run is not None and not run.is_of(fill.start_s, end_s):
            run = None
        is_ours = only_line if run is None else run.is_alone
        if not (fill.attended_by_device and is_ours) or fill.volume_l <= 0.0:
            return
        waste = self.spec.waste_per_product
        self._figures.wasted_l += waste_l(fill.volume_l, waste)
        trend = None if run is None else self._judge(run, fill.volume_l)
        self._membrane.run(fill.volume_l, trend, waste)

    def _judge(self, run: RefillRun, product_l: float) -> float | None:
        """Return the production that is compared with the baseline."""
        produced = run.production_l_per_day(product_l, self._error_l)
        if produced is None:
            return None
        self._refused = None
        self._figures.production_l_per_day = produced
        try:
            self._judge_purity(run)
            trend = self._normalised(run, produced)
        except InputError as err:
            self._refused = str(err)
            return None
        if self.spec.by_temperature and trend is not None:
            self._figures.normalised_l_per_day = trend
        return trend

    def _judge_purity(self, run: RefillRun) -> None:
        feed, product = run.feed_mg_per_l, run.product_mg_per_l
        if feed is not None and product is not None:
            self._figures.rejection_frac = rejection_frac(feed, product)

    def _normalised(self, run: RefillRun, produced: float) -> float | None:
        """Return the production at the reference, or None where what it needs is missing."""
        temp_c, feed_bar = run.temp_c, run.feed_bar
        if self.spec.by_temperature and temp_c is None:
            return None
        if self.spec.by_pressure and feed_bar is None:
            return None
        driving = reference = None
        if self.spec.by_pressure and feed_bar is not None:
            recovery = recovery_frac(self.spec.waste_per_product)
            feed = run.feed_mg_per_l
            solids = REFERENCE_MG_PER_L if feed is None else feed
            driving = driving_bar(feed_bar, solids, recovery)
            reference = driving_bar(REFERENCE_BAR, REFERENCE_MG_PER_L, recovery)
        shown_c = temp_c if self.spec.by_temperature and temp_c is not None else 25.0
        return normalised_l_per_day(produced, shown_c, driving, reference)

    def changed(self, stage: str) -> None:
        """Start a stage anew.

        Raises:
            InputError: No such stage.
        """
        self._membrane.changed(stage)

    @property
    def view(self) -> UnitView:
        """What is shown."""
        figures = self._figures
        passed_l = {stage: self._membrane.passed_l(stage) for stage in self.spec.stages}
        return UnitView(
            production_l_per_day=figures.production_l_per_day,
            normalised_l_per_day=figures.normalised_l_per_day,
            baseline_frac=self._membrane.ratio,
            state=self._membrane.state,
            rejection_frac=figures.rejection_frac,
            wasted_l=figures.wasted_l,
            passed_l=passed_l,
            overdue=tuple(
                stage
                for stage, rated_l in self.spec.stages.items()
                if rated_l is not None and passed_l[stage] > rated_l
            ),
            refused=self._refused,
        )

    def snapshot(self) -> dict[str, Any]:
        """Return what was learned and counted; a run in progress is not kept."""
        return {
            "membrane": self._membrane.snapshot(),
            "basis": self.spec.basis,
            "counted_s": self.counted_s,
            "production_l_per_day": self._figures.production_l_per_day,
            "normalised_l_per_day": self._figures.normalised_l_per_day,
            "rejection_frac": self._figures.rejection_frac,
            "wasted_l": self._figures.wasted_l,
        }

    def restore(self, data: Mapping[str, Any]) -> None:
        """Take up a snapshot; what is compared on another basis is learned anew.

        Raises:
            ValueError: The snapshot is damaged.
        """
        stored = data.get("membrane")
        if not isinstance(stored, dict):
            raise DamagedError(InputFault.OUTSIDE_RANGE, "the unit's membrane is missing")
        unit = Membrane.restore(stored)
        figures = _Figures(
            production_l_per_day=_known(data.get("production_l_per_day")),
            normalised_l_per_day=_known(data.get("normalised_l_per_day")),
            rejection_frac=_known(data.get("rejection_frac")),
            wasted_l=not_negative("a volume", number(data.get("wasted_l")), "L"),
        )
        counted_s = number(data.get("counted_s"))
        unit.keep(tuple(self.spec.stages))
        if data.get("basis") != self.spec.basis:
            unit.forget_trend()
            figures.normalised_l_per_day = None
        self._membrane, self._figures, self.counted_s = unit, figures, counted_s


def _known(value: object) -> float | None:
    return None if value is None else number(value)
