"""A water change by level: drain a volume, refill the same, both measured, in this order.

A pure sequence: it commands nothing. Two guarded fill lines do, each with limits of its own;
this says which of them may run, and gives up at the first thing that is not as it should be.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Final

from .salt_mass import Water, mixed
from .validity import DamagedError, InputFault, not_negative, number, positive
from .vat import usual_if_odd_c

MOST_FRAC: Final = 0.5
"""Of the system in one change (common practice, no source)."""
USUAL_FRAC: Final = 0.1
SHORT_L: Final = 0.5
"""Less than this is within what a level tells."""
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


UNDER_WAY: Final = frozenset({Step.DRAIN, Step.REFILL})


class Stop(StrEnum):
    """Why a change ended early; both lines stay shut."""

    NONE = "none"
    LEVEL_LOST = "level_lost"
    LINE_TRIPPED = "line_tripped"
    LINE_STOPPED = "line_stopped"
    OTHER_LINE = "other_line"
    RETURN_PUMP = "return_pump"
    TOOK_TOO_LONG = "took_too_long"
    INTERRUPTED = "interrupted"
    """The hub, or the integration, was restarted meanwhile."""
    STATE_DAMAGED = "state_damaged"
    """What was stored of it cannot be read: nobody knows what was drained."""
    ABORTED_BY_HAND = "aborted_by_hand"


@dataclass(frozen=True, slots=True)
class Plan:
    """What is known before a change."""

    change_l: float
    system: Water
    """Whole system, with the salinity to compare with (measured, else the one wanted) and the
    temperature."""
    sump_l: float
    """In the sump now, above the point where the return pump runs dry."""
    vat_l: float | None
    """In the vat, above the point its pump draws from; None: not known."""
    vat_salinity: float | None
    vat_temp_c: float | None = None
    tank_temp_c: float | None = None
    """As its thermometer says, which may be what no water has; None: that of `system`."""
    is_salinity_lost: bool = False
    """Whether the system's salinity should be measured and is not known: `system` says then what
    is wanted, and what comes out of a change nobody knows."""
    longest_step_s: float = 7200.0

    @property
    def salinity_now(self) -> float | None:
        """The system's salinity, PSU; None while it is not known."""
        return None if self.is_salinity_lost else self.system.salinity

    def __post_init__(self) -> None:
        positive("a volume to change", self.change_l, "L")
        positive("a time limit", self.longest_step_s, "s")


def largest_l(system_l: float, share_frac: float) -> float:
    """Return the largest change (L) that a share of the system allows."""
    return share_frac * positive("a system", system_l, "L")


def usual_l(system_l: float, most_l: float) -> float:
    """Return a volume (L) to begin with: a tenth of the system (common practice, no source)."""
    return min(USUAL_FRAC * system_l, most_l)


def refusals(plan: Plan) -> list[Refusal]:
    """Return everything that speaks against beginning; empty: nothing does."""
    psu, temp_c = plan.vat_salinity, plan.vat_temp_c
    tank_c = plan.system.temp_c if plan.tank_temp_c is None else plan.tank_temp_c
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
            temp_c is not None and abs(temp_c - tank_c) > MOST_K_APART,
            Refusal.TEMPERATURE_OFF,
        ),
        (plan.sump_l < plan.change_l, Refusal.SUMP_TOO_LOW),
    )
    return [refusal for holds, refusal in checks if holds]


def salinity_after(plan: Plan) -> float | None:
    """Return the salinity (PSU) after the change; None: the vat's or the system's is not known.

    Raises:
        InputError: More is changed than the system holds.

    Source: conservation of salt and mass, see `salt_mass.mixed`.
    """
    if plan.vat_salinity is None or plan.is_salinity_lost:
        return None
    system = plan.system
    rest = Water(system.volume_l - plan.change_l, system.salinity, system.temp_c)
    temp_c = system.temp_c if plan.vat_temp_c is None else usual_if_odd_c(plan.vat_temp_c)
    return mixed(rest, Water(plan.change_l, plan.vat_salinity, temp_c)).salinity


@dataclass(frozen=True, slots=True)
class Outcome:
    """Where a change stands or how it ended: what must outlive the hub."""

    step: Step
    stop: Stop = Stop.NONE
    drained_l: float = 0.0
    refilled_l: float = 0.0

    @property
    def is_under_way(self) -> bool:
        """Whether one of the lines may be running."""
        return self.step in UNDER_WAY

    @property
    def missing_l(self) -> float:
        """Salt water that was drained and not brought back, L."""
        return max(0.0, self.drained_l - self.refilled_l)

    @property
    def is_short(self) -> bool:
        """Whether so much is missing that fresh water must not take its place."""
        is_unknown = self.stop is Stop.STATE_DAMAGED
        return self.step is Step.ABORTED and (is_unknown or self.missing_l > SHORT_L)

    def has_moved_since(self, saved: Outcome | None) -> bool:
        """Whether the disk should hear of it: what is saved is further off than a level tells."""
        if saved is None:
            return True
        moved_l = self.drained_l - saved.drained_l, self.refilled_l - saved.refilled_l
        return max(map(abs, moved_l)) >= SHORT_L

    @classmethod
    def damaged(cls) -> Outcome:
        """Return what a change is whose memory cannot be read; never taken for harmless."""
        return cls(Step.ABORTED, Stop.STATE_DAMAGED)

    def interrupted(self) -> Outcome:
        """Return what a change that was under way is after a restart: over, with lines shut."""
        if not self.is_under_way:
            return self
        return replace(self, step=Step.ABORTED, stop=Stop.INTERRUPTED)

    def to_dict(self) -> dict[str, Any]:
        """Return it in JSON types."""
        return {
            "step": self.step.value,
            "stop": self.stop.value,
            "drained_l": self.drained_l,
            "refilled_l": self.refilled_l,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Outcome:
        """Return what `to_dict` wrote.

        Raises:
            ValueError: It is damaged.
        """
        try:
            step, stop = Step(data["step"]), Stop(data["stop"])
            litres = [number(data[key]) for key in ("drained_l", "refilled_l")]
        except (KeyError, TypeError) as err:
            raise DamagedError(InputFault.NOT_FINITE, f"no outcome of a change: {err}") from err
        drained_l, refilled_l = (not_negative("a volume", value, "L") for value in litres)
        return cls(step, stop, drained_l, refilled_l)


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

    def after(self, t_s: float, sump_l: float | None, fault: Stop = Stop.NONE) -> Change:
        """Return the state after a look at the sump.

        Args:
            t_s: Now.
            sump_l: The sump's volume, L; None: not known or not to be trusted.
            fault: What the lines, or the pump, have done that must end it.
        """
        if self.step in (Step.DONE, Step.ABORTED):
            return self
        why = self._fault(t_s, sump_l, fault)
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

    def _fault(self, t_s: float, sump_l: float | None, fault: Stop) -> Stop:
        if fault is not Stop.NONE:
            return fault
        if sump_l is None:
            return Stop.LEVEL_LOST
        is_in_time = 0.0 <= t_s - self.began_s <= self.plan.longest_step_s
        return Stop.NONE if is_in_time else Stop.TOOK_TOO_LONG

    @property
    def outcome(self) -> Outcome:
        """What is to be remembered of it."""
        return Outcome(self.step, self.stop, self.drained_l, self.refilled_l)

    def aborted(self) -> Change:
        """Return the state after a person stopped it."""
        return self if self.step is Step.DONE else self._stopped(Stop.ABORTED_BY_HAND)

    def _stopped(self, why: Stop) -> Change:
        return replace(self, step=Step.ABORTED, stop=why)
