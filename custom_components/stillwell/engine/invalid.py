"""What cannot be right, as a code with values: the hub says it in the keeper's language.

A person meets these in forms, repairs and refused actions, so no sentence is made here for them.
`str()` of an error is its English text, for the log.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final, override


class Code(StrEnum):
    """Each refusal that has a text of its own."""

    # Of any quantity
    NOT_FINITE = "not_finite"
    OUTSIDE = "outside"
    MIX_UP = "mix_up"
    NOT_ABOVE_0 = "not_above_0"
    BELOW_0 = "below_0"
    BAND = "band"
    DAMAGED = "damaged"
    UNREADABLE = "unreadable"
    """A fault that is not one of ours: of what is stored, nobody knows which part."""
    # Dimensions of a vessel
    NOT_METRES = "not_metres"
    TOO_SHORT = "too_short"
    TOO_LONG = "too_long"
    CONE_TOO_DEEP = "cone_too_deep"
    NOT_NUMBERS = "not_numbers"
    NOT_FROM_0 = "not_from_0"
    NOT_RISING = "not_rising"
    ROWS = "rows"
    COLUMNS = "columns"
    SHAPE_KIND = "shape_kind"
    # A known pour
    POUR_VOLUME = "pour_volume"
    POUR_NOT_BEGUN = "pour_not_begun"
    FEW_SAMPLES = "few_samples"
    OUTSIDE_VESSEL = "outside_vessel"
    RESTLESS = "restless"
    RISE_TOO_SMALL = "rise_too_small"
    IMPLAUSIBLE = "implausible"
    OTHER_WATER = "other_water"
    # Salinity, batches, doses
    ONE_READING = "one_reading"
    CONDUCTIVITY_ALONE = "conductivity_alone"
    GRAVITY_ALONE = "gravity_alone"
    SALINITY_IS_GRAVITY = "salinity_is_gravity"
    GRAVITY_IS_SALINITY = "gravity_is_salinity"
    UNIT_UNFIT = "unit_unfit"
    CANNOT_EVAPORATE = "cannot_evaporate"
    VAT_TOO_FULL = "vat_too_full"
    BATCH_TOO_LARGE = "batch_too_large"
    CAPS_ORDER = "caps_order"
    DAY_TOO_MUCH = "day_too_much"
    PRESSURE_ALONE = "pressure_alone"
    NO_STAGE = "no_stage"
    # Settings
    NO_CHOICE = "no_choice"
    MISSING = "missing"
    NO_ENTITY = "no_entity"
    NOT_NAMED = "not_named"
    NOT_ABOVE = "not_above"
    BETWEEN = "between"
    GUARD_LIMITS = "guard_limits"
    GUARD_OPTIONAL = "guard_optional"
    GUARD_WAITS = "guard_waits"
    DRAIN_SOURCE = "drain_source"
    VESSEL_REMOVED = "vessel_removed"
    VESSEL_NOT_RUNNING = "vessel_not_running"
    LINE_REMOVED = "line_removed"
    WATCH_REMOVED = "watch_removed"
    CHANGE_LINE = "change_line"
    CHANGE_DIRECTIONS = "change_directions"
    CHANGE_VESSELS = "change_vessels"
    CHANGE_FRESH = "change_fresh"
    CHANGE_NO_VAT = "change_no_vat"


_WORKS: Final = "; for example {works} would work"

TEXTS: Final = {
    Code.NOT_FINITE: "{what} is not a finite number",
    Code.OUTSIDE: "{what} of {value} is outside {low} to {high}; check the value and its unit",
    Code.MIX_UP: (
        "{what} of {value} is outside {low} to {high}; it looks like {unit}: {right} would be"
        " right. Set the unit of the source, or convert the value"
    ),
    Code.NOT_ABOVE_0: "{what} is {value}; it must be above 0",
    Code.BELOW_0: "{what} is {value}; it must not be below 0",
    Code.BAND: "the band from {low} to {high} is upside down; the low end must be lower",
    Code.DAMAGED: "what is stored of it is damaged",
    Code.UNREADABLE: "what is stored of it cannot be read; save its settings once more",
    Code.NOT_METRES: "{what} has to be a length" + _WORKS,
    Code.TOO_SHORT: "{what} is {value}, under {limit}" + _WORKS,
    Code.TOO_LONG: "{what} is {value}, over {limit} (is the unit right?)" + _WORKS,
    Code.CONE_TOO_DEEP: "{what} is {value} but the whole vessel only {height} high" + _WORKS,
    Code.NOT_NUMBERS: "{what} has to be a list of numbers" + _WORKS,
    Code.NOT_FROM_0: "{what} starts at {value} but the first row is the empty vessel" + _WORKS,
    Code.NOT_RISING: "{what} does not rise at row {row} ({before} to {after})" + _WORKS,
    Code.ROWS: "{what} has {rows} rows; from {least} to {most} are needed" + _WORKS,
    Code.COLUMNS: "{what} has {rows} rows where {other} has {works}; each row needs both",
    Code.SHAPE_KIND: "{what} is {value}, which is none that is known" + _WORKS,
    Code.POUR_VOLUME: "{poured} poured; give a volume above 0",
    Code.POUR_NOT_BEGUN: "the level before the pour was not taken",
    Code.FEW_SAMPLES: "{count} readings of the level; at least {least} are needed",
    Code.OUTSIDE_VESSEL: "a level of {depth} is outside the vessel, which is {height} high",
    Code.RESTLESS: "the level moved by {drift} while it was read; let it settle",
    Code.RISE_TOO_SMALL: (
        "the level rose by {rise} with a noise of {noise}; pour enough for a rise above {times}"
        " times the noise"
    ),
    Code.IMPLAUSIBLE: (
        "{poured} poured where the shape tells {shape}; check the volume, its unit and the"
        " dimensions"
    ),
    Code.OTHER_WATER: "{line} has run since the level before was taken; pause it and begin anew",
    Code.ONE_READING: "give exactly one reading: a specific gravity, a salinity or a conductivity",
    Code.CONDUCTIVITY_ALONE: (
        "a conductivity means nothing without the temperature it holds for; that is {usual} for an"
        " instrument that compensates to it"
    ),
    Code.GRAVITY_ALONE: (
        "a specific gravity means nothing without its two temperatures; they are printed on the"
        " instrument, for example 20/20, 25/25 or 60/60 degF (15.56/15.56 degC)"
    ),
    Code.SALINITY_IS_GRAVITY: (
        "{value} is no salinity of a marine tank; it looks like a specific gravity: enter it as"
        " one, with its two temperatures"
    ),
    Code.GRAVITY_IS_SALINITY: (
        "{value} is no specific gravity but looks like a salinity in PSU: enter it so"
    ),
    Code.UNIT_UNFIT: "the unit {unit} of {source} cannot be read as {what}",
    Code.CANNOT_EVAPORATE: "{lost} cannot evaporate from {volume}; check both volumes",
    Code.VAT_TOO_FULL: (
        "the vat already holds more salt or water than the batch needs; raise the volume wanted,"
        " or drain some first"
    ),
    Code.BATCH_TOO_LARGE: "{volume} is more than it can hold",
    Code.CAPS_ORDER: "the caps must rise from a dose over an hour to a day",
    Code.DAY_TOO_MUCH: "{what} would bring more than {most} a day",
    Code.PRESSURE_ALONE: "a pressure needs a reference pressure beside it",
    Code.NO_STAGE: "there is no stage {stage}",
    Code.NO_CHOICE: "{what} is none of the choices there are",
    Code.MISSING: "{what} is missing",
    Code.NO_ENTITY: "{what} must name an entity",
    Code.NOT_NAMED: "{what} has to be named",
    Code.NOT_ABOVE: "{what} must lie above {other}, which is {value}",
    Code.BETWEEN: "{what} must lie from {low} to {high}",
    Code.GUARD_LIMITS: "the high limit and the limits of a run must be above 0",
    Code.GUARD_OPTIONAL: "a limit that may be left out must be above 0 where it is not",
    Code.GUARD_WAITS: "the waits must not be below 0",
    Code.DRAIN_SOURCE: "a drain draws from the vessel it drains",
    Code.VESSEL_REMOVED: "a vessel it needs was removed; choose another",
    Code.VESSEL_NOT_RUNNING: "{vessel} is not running",
    Code.LINE_REMOVED: "its fill line was removed",
    Code.WATCH_REMOVED: "the watch it is linked to was removed; choose another or none",
    Code.CHANGE_LINE: "{what}: this line was removed, or its settings are no use",
    Code.CHANGE_DIRECTIONS: "one line must drain the sump, the other refill it",
    Code.CHANGE_VESSELS: "both lines must be at the same vessel",
    Code.CHANGE_FRESH: "the refill line is one for fresh water",
    Code.CHANGE_NO_VAT: "the refill line must draw from a mixing vat",
}
"""English text of each code; those of the other languages are the hub's."""


class Term(str):
    """The name of a quantity or of a setting, as the code calls it."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Amount:
    """A number, or some of a row, with the unit it is in; "" is none."""

    value: float | tuple[float, ...]
    unit: str = ""
    is_as_taken: bool = False
    """Told in this unit whatever the keeper's, because the unit is what is in doubt."""

    @override
    def __str__(self) -> str:
        if isinstance(self.value, tuple):
            return f"{list(self.value)} {self.unit}".rstrip()
        return f"{self.value:g} {self.unit}".rstrip()


type Value = Amount | Term | str | float


class Invalid(ValueError):  # noqa: N818 - what is wrong, not that something is
    """What cannot be right: a code, and the values its text fills in."""

    def __init__(self, code: Code, **values: Value) -> None:
        super().__init__(TEXTS[code].format(**{key: _plain(one) for key, one in values.items()}))
        self.code = code
        self.values = values


def _plain(value: Value) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
