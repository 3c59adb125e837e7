"""What a vessel's forms refuse: which field, why, and a value that would work."""

from typing import TYPE_CHECKING, Any, Final

from .const import (
    CONF_DEVICE,
    CONF_EMPTY_M,
    CONF_FULL_M,
    CONF_HIGH_INPUTS,
    CONF_HIGH_M,
    CONF_LEAK_INPUTS,
    CONF_LONGEST_RUN_S,
    CONF_MEASURE,
    CONF_SENSOR_ZERO_M,
    CONF_SPAN_M,
    CONF_START_M,
    DEFAULT_FRESH_WATER_CAP_FRAC,
)
from .engine.geometry import LONGEST_M, SHORTEST_M, GeometryError, Vessel, shape_from_dict
from .engine.line_limits import fresh_water_cap_l
from .settings import LENGTH_MARGIN_M, Measure
from .vessel_forms import (
    FIELD_EMPTY,
    FIELD_FULL,
    FIELD_HIGH,
    FIELD_SENSOR_FACE,
    FIELD_SENSOR_ZERO,
    FIELD_SPAN,
    FIELD_START,
    FIELD_TABLE,
    SECTION_FILLING,
    SECTION_SIGNAL,
    SHAPE_FIELDS,
    STRAPPING,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from .form_units import FormUnits

SHORTEST_RUN_S: Final = 60.0
LONGEST_RUN_S: Final = 86_400.0
SHORTEST_STALE_S: Final = 10.0
LONGEST_STALE_S: Final = 604_800.0
# A fill must be noticed to have lost its signal well before it would be cut off anyway.
STALE_PER_RUN_FRAC: Final = 0.25
_EXAMPLE_M: Final = 0.4
_PAIR: Final = 2


class Refusal(Exception):  # noqa: N818 - a choice that is declined, not a fault
    """An entry that cannot work: the field, the text's key, and what the text fills in.

    An error among the latter is told in the hub's language where the form is shown.
    """

    def __init__(self, field: str, key: str, **placeholders: str | Exception) -> None:
        super().__init__(key)
        self.field = field
        self.key = key
        self.placeholders = placeholders


def shape_data(kind: str, values: Mapping[str, Any], units: FormUnits) -> dict[str, Any]:
    """Return the stored form of a shape.

    Raises:
        Refusal: a dimension or the table cannot be right.
    """
    if kind == STRAPPING:
        depths_m, volumes_l = _table(values[FIELD_TABLE], units)
        shape: dict[str, Any] = {"depths_m": depths_m, "volumes_l": volumes_l}
    else:
        shape = {f"{name}_m": _dimension_m(name, values, units) for name in SHAPE_FIELDS[kind]}
        if kind == "cone_bottom" and shape["cone_m"] > shape["height_m"]:
            raise Refusal(
                "cone",
                "cone_too_deep",
                height=units.limit_m(shape["height_m"]),
                works=units.limit_m(0.2 * shape["height_m"]),
            )
    shape = {"kind": kind} | shape
    try:
        shape_from_dict(shape)
    except GeometryError as err:
        field = FIELD_TABLE if kind == STRAPPING else err.field.removesuffix("_m")
        raise Refusal(field, "shape_refused", why=err) from err
    return shape


def sensor_data(
    measure: Measure, values: Mapping[str, Any], vessel: Vessel, units: FormUnits
) -> dict[str, float]:
    """Return where the sensor sits, as stored.

    Raises:
        Refusal: it could not see any water there.
    """
    height_m = vessel.height_m
    if measure is Measure.DISTANCE:
        face_m = units.to_m(values.get(FIELD_SENSOR_FACE, units.from_m(height_m)))
        if not SHORTEST_M <= face_m <= LONGEST_M:
            raise _out_of_range(FIELD_SENSOR_FACE, (SHORTEST_M, LONGEST_M), height_m, units)
        return {CONF_SENSOR_ZERO_M: face_m}
    if measure not in (Measure.DEPTH, Measure.CURRENT):
        return {}
    zero_m = units.to_m(values[FIELD_SENSOR_ZERO])
    if not 0 <= zero_m <= height_m - SHORTEST_M:
        raise _out_of_range(FIELD_SENSOR_ZERO, (0.0, height_m - SHORTEST_M), 0.0, units)
    if measure is Measure.DEPTH:
        return {CONF_SENSOR_ZERO_M: zero_m}
    span_m = units.to_m(values[FIELD_SPAN])
    if not SHORTEST_M <= span_m <= LONGEST_M:
        raise _out_of_range(FIELD_SPAN, (SHORTEST_M, LONGEST_M), height_m - zero_m, units)
    return {CONF_SENSOR_ZERO_M: zero_m, CONF_SPAN_M: span_m}


def check_marks(data: Mapping[str, Any], vessel: Vessel, units: FormUnits) -> None:
    """Refuse marks that cross each other, leave the vessel, or that the sensor cannot see."""
    height_m = vessel.height_m
    empty_m, start_m = data[CONF_EMPTY_M], data[CONF_START_M]
    full_m, high_m = data[CONF_FULL_M], data[CONF_HIGH_M]
    lowest_m, highest_m = _seen(data, height_m)
    floor_m, ceiling_m = max(empty_m, lowest_m), min(height_m, highest_m)
    ceiling = "range" if height_m <= highest_m else "unseen"
    # Room for a start and a full mark stays above the empty mark.
    if not 0 <= empty_m <= ceiling_m - SHORTEST_M:
        highest_m = ceiling_m - SHORTEST_M
        raise _out_of_range(FIELD_EMPTY, (0.0, highest_m), highest_m / 15, units)
    if not floor_m < start_m < ceiling_m:
        key = "start_range" if empty_m >= lowest_m else "start_unseen"
        top_m = full_m if floor_m + SHORTEST_M <= full_m <= ceiling_m else ceiling_m
        works_m = floor_m + (top_m - floor_m) / 5
        raise _refused(FIELD_START, key, (floor_m, ceiling_m), works_m, units)
    if not start_m < full_m <= ceiling_m + LENGTH_MARGIN_M:
        works_m = _between(start_m, ceiling_m, 0.8)
        raise _refused(FIELD_FULL, f"full_{ceiling}", (start_m, ceiling_m), works_m, units)
    if not full_m <= high_m <= ceiling_m + LENGTH_MARGIN_M:
        works_m = _between(full_m, ceiling_m, 0.5)
        raise _refused(FIELD_HIGH, f"high_{ceiling}", (full_m, ceiling_m), works_m, units)


def check_filling(line: Mapping[str, Any]) -> None:
    """Refuse a fill line of a newcomer whose limits do not protect; an empty one is none."""
    if not line:
        return
    if not SHORTEST_RUN_S <= line[CONF_LONGEST_RUN_S] <= LONGEST_RUN_S:
        raise Refusal(SECTION_FILLING, "longest_run_range", works="2:00:00")
    device = line[CONF_DEVICE]
    if device in (*line.get(CONF_HIGH_INPUTS, ()), *line.get(CONF_LEAK_INPUTS, ())):
        raise Refusal(SECTION_FILLING, "device_is_input", device=device)
    # Two layers that hang on one switch are one layer.
    check_twice(SECTION_FILLING, *line.get(CONF_HIGH_INPUTS, ()), *line.get(CONF_LEAK_INPUTS, ()))


def check_top_off(
    data: Mapping[str, Any], vessel: Vessel, system_l: float, units: FormUnits
) -> None:
    """Refuse marks between which one top-off would bring too much fresh water to the animals."""
    start_l = vessel.volume_l(data[CONF_START_M])
    band_l = vessel.volume_l(data[CONF_FULL_M]) - start_l
    cap_l = fresh_water_cap_l(system_l, DEFAULT_FRESH_WATER_CAP_FRAC)
    if band_l > cap_l:
        raise Refusal(
            FIELD_FULL,
            "full_over_cap",
            band=units.show_l(band_l),
            cap=units.show_l(cap_l),
            works=units.exact_m(vessel.depth_m(start_l + 0.8 * cap_l)),
        )


def check_signal(stale_s: float | None, run_s: float | None) -> None:
    """Refuse an oldest usable report that does not protect a run of this length (s)."""
    if stale_s is None:
        return
    if not SHORTEST_STALE_S <= stale_s <= LONGEST_STALE_S:
        raise Refusal(SECTION_SIGNAL, "stale_range", works="0:15:00")
    if run_s is not None and stale_s > STALE_PER_RUN_FRAC * run_s:
        longest_s = round(STALE_PER_RUN_FRAC * run_s)
        raise Refusal(SECTION_SIGNAL, "stale_slow", works=clock_text(longest_s))


def check_twice(field: str, *entities: str | None) -> None:
    """Refuse one entity in two places that each need their own; None is none.

    Raises:
        Refusal: naming the entity.
    """
    given = [entity for entity in entities if entity is not None]
    for entity in given:
        if given.count(entity) > 1:
            raise Refusal(field, "entity_twice", source=entity)


def clock_text(seconds: float) -> str:
    """Return a time in s as a form's duration is read: hours, minutes, seconds."""
    minutes, rest_s = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest_s:02}"


def _seen(data: Mapping[str, Any], height_m: float) -> tuple[float, float]:
    """Return the lowest and highest level that the sensor can tell apart."""
    zero_m = data.get(CONF_SENSOR_ZERO_M, 0.0)
    match data[CONF_MEASURE]:
        case Measure.DEPTH:
            return zero_m, height_m
        case Measure.DISTANCE:
            return 0.0, zero_m
        case Measure.CURRENT:
            return zero_m, zero_m + data[CONF_SPAN_M]
    return 0.0, height_m


def _between(low_m: float, high_m: float, share: float) -> float:
    return low_m + share * (high_m - low_m) if high_m - low_m >= SHORTEST_M else high_m


def _dimension_m(name: str, values: Mapping[str, Any], units: FormUnits) -> float:
    value_m = units.to_m(values[name])
    if not SHORTEST_M <= value_m <= LONGEST_M:
        raise _out_of_range(name, (SHORTEST_M, LONGEST_M), _EXAMPLE_M, units)
    return value_m


def _table(text: str, units: FormUnits) -> tuple[list[float], list[float]]:
    """Return the columns of a strapping table, one "depth; volume" a line."""
    rows: list[tuple[float, float]] = []
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        row = _row(line, units)
        if row is None:
            raise Refusal(FIELD_TABLE, "table_line", line=str(number), works="10; 7.9")
        if not rows and row[0] > 0:
            rows.append((0.0, 0.0))
        if rows and (row[0] <= rows[-1][0] or row[1] <= rows[-1][1]):
            before = f"{units.from_m(rows[-1][0]):g}; {units.from_l(rows[-1][1]):g}"
            raise Refusal(FIELD_TABLE, "table_order", line=str(number), before=before)
        rows.append(row)
    if len(rows) < _PAIR:
        raise Refusal(FIELD_TABLE, "table_short")
    return [depth_m for depth_m, _ in rows], [volume_l for _, volume_l in rows]


def _row(line: str, units: FormUnits) -> tuple[float, float] | None:
    cells = line.split(";") if ";" in line else line.split()
    if len(cells) != _PAIR:
        return None
    try:
        # Many write a decimal comma.
        depth, volume = (float(cell.strip().replace(",", ".")) for cell in cells)
    except ValueError:
        return None
    # Also false for not-a-number.
    is_sound = 0 <= depth < float("inf") and 0 <= volume < float("inf")
    return (units.to_m(depth), units.to_l(volume)) if is_sound else None


def _out_of_range(
    field: str, limits_m: tuple[float, float], works_m: float, units: FormUnits
) -> Refusal:
    return _refused(field, "length_range", limits_m, works_m, units)


def _refused(
    field: str, key: str, limits_m: tuple[float, float], works_m: float, units: FormUnits
) -> Refusal:
    low_m, high_m = limits_m
    works = units.limit_m(works_m)
    if not low_m < works_m <= high_m - SHORTEST_M:
        # Close to a limit, rounding could lead past it.
        works = units.exact_m(works_m)
    return Refusal(field, key, low=units.limit_m(low_m), high=units.limit_m(high_m), works=works)
