"""A water change by level: drain a volume, refill the same, both measured, in this order.

A pure sequence: it commands nothing. Two guarded fill lines do, each with limits of its own;
this says which of them may run, and gives up at the first thing that is not as it should be.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from .salt_mass import Water, mixed
from .validity import positive

MOST_FRAC: Final = 0.5
"""Of the system in one change (common practice, no source)."""
VAT_MARGIN_FRAC: Final = 0.02
MOST_PSU_APART: Final = 2.0
MOST_K_APART: Final = 3.0
"""New water further off shocks livestock (common practice, no source)."""


class Refusal(StrEnum):
    """Why a change is not begun."""

    TOO_MUCH = "too_much"
    VAT_HOLDS_TOO_LITTLE = "vat_holds_too_little"
    VAT_UNKNOWN = "vat_unknown"
    SALINITY_UNKNOWN = "salinity_unknown"
    SALINITY_OFF = "salinity_off"
    TEMPERATURE_OFF = "temperature_off"
    SUMP_TOO_LOW = "sump_too_low"
    """Draining that much would run the return pump dry."""


class Step(StrEnum):
    """Where the change stands."""

    DRAIN = "drain"
    REFILL = "refill"
    DONE = "done"
    ABORTED = "aborted"


class Stop(StrEnum):
    """Why a change ended early; both lines stay shut."""

    NONE = "none"
    LEVEL_LOST = "level_lost"
    LINE_TRIPPED = "line_tripped"
    TOOK_TOO_LONG = "took_too_long"
    ABORTED_BY_HAND = "aborted_by_hand"


@dataclass(frozen=True, slots=True)
class Plan:
    """What is known before a change."""

    change_l: float
    system: Water
    """Whole system, with its salinity and temperature."""
    sump_l: float
    """In the sump now, above the point where the return pump runs dry."""
    vat_l: float | None
    """In the vat, above the point its pump draws from; None: not known."""
    vat_salinity: float | None
    vat_temp_c: float | None = None
    longest_step_s: float = 7200.0

    def __post_init__(self) -> None:
        positive("a volume to change", self.change_l, "L")
        positive("a time limit", self.longest_step_s, "s")


def refusals(plan: Plan) -> list[Refusal]:
    """Return everything that speaks against beginning; empty: nothing does."""
    psu, temp_c = plan.vat_salinity, plan.vat_temp_c
    checks = (
        (plan.change_l > MOST_FRAC * plan.system.volume_l, Refusal.TOO_MUCH),
        (plan.vat_l is None, Refusal.VAT_UNKNOWN),
        (
            plan.vat_l is not None and plan.vat_l < plan.change_l * (1.0 + VAT_MARGIN_FRAC),
            Refusal.VAT_HOLDS_TOO_LITTLE,
        ),
        (psu is None, Refusal.SALINITY_UNKNOWN),
        (
            psu is not None and abs(psu - plan.system.salinity) > MOST_PSU_APART,
            Refusal.SALINITY_OFF,
        ),
        (
            temp_c is not None and abs(temp_c - plan.system.temp_c) > MOST_K_APART,
            Refusal.TEMPERATURE_OFF,
        ),
        (plan.sump_l < plan.change_l, Refusal.SUMP_TOO_LOW),
    )
    return [refusal for holds, refusal in checks if holds]


def salinity_after(plan: Plan) -> float | None:
    """Return the salinity (PSU) after the change; None: the vat's is not known.

    Raises:
        InputError: More is changed than the system holds.

    Source: conservation of salt and mass, see `salt_mass.mixed`.
    """
    if plan.vat_salinity is None:
        return None
    system = plan.system
    rest = Water(system.volume_l - plan.change_l, system.salinity, system.temp_c)
    temp_c = system.temp_c if plan.vat_temp_c is None else plan.vat_temp_c
    return mixed(rest, Water(plan.change_l, plan.vat_salinity, temp_c)).salinity


@dataclass(frozen=True, slots=True)
class Change:
    """A change under way; each `after` returns the next state."""

    plan: Plan
    began_s: float
    start_sump_l: float
    step: Step = Step.DRAIN
    stop: Stop = Stop.NONE
    drained_l: float = 0.0
    refilled_l: float = 0.0

    @property
    def may_drain(self) -> bool:
        """Whether the drain line may run."""
        return self.step is Step.DRAIN

    @property
    def may_refill(self) -> bool:
        """Whether the line from the vat may run."""
        return self.step is Step.REFILL

    def after(self, t_s: float, sump_l: float | None, *, is_tripped: bool = False) -> Change:
        """Return the state after a look at the sump.

        Args:
            t_s: Now.
            sump_l: The sump's volume, L; None: not known or not to be trusted.
            is_tripped: Whether the guard of either line tripped.
        """
        if self.step in (Step.DONE, Step.ABORTED):
            return self
        why = self._fault(t_s, sump_l, is_tripped=is_tripped)
        if sump_l is None or why is not Stop.NONE:
            return self._stopped(why)
        if self.step is Step.DRAIN:
            drained = max(0.0, self.start_sump_l - sump_l)
            if drained < self.plan.change_l:
                return replace(self, drained_l=drained)
            return replace(
                self, drained_l=drained, step=Step.REFILL, began_s=t_s, start_sump_l=sump_l
            )
        refilled = max(0.0, sump_l - self.start_sump_l)
        # What ran out over the mark is brought back too.
        step = Step.DONE if refilled >= self.drained_l else Step.REFILL
        return replace(self, refilled_l=refilled, step=step)

    def _fault(self, t_s: float, sump_l: float | None, *, is_tripped: bool) -> Stop:
        if is_tripped:
            return Stop.LINE_TRIPPED
        if sump_l is None:
            return Stop.LEVEL_LOST
        is_in_time = 0.0 <= t_s - self.began_s <= self.plan.longest_step_s
        return Stop.NONE if is_in_time else Stop.TOOK_TOO_LONG

    def aborted(self) -> Change:
        """Return the state after a person stopped it."""
        return self if self.step is Step.DONE else self._stopped(Stop.ABORTED_BY_HAND)

    def _stopped(self, why: Stop) -> Change:
        return replace(self, step=Step.ABORTED, stop=why)
