"""Vessel shapes against the fluids handbook library, scipy, and hand arithmetic."""

import math
from types import SimpleNamespace

import pytest
from custom_components.stillwell.engine.geometry import (
    KINDS,
    Box,
    ConeBottom,
    GeometryError,
    LyingCylinder,
    Strapping,
    TaperedBin,
    UprightCylinder,
    Vessel,
    shape_from_dict,
)
from fluids.geometry import TANK, V_horiz_conical
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.interpolate import PchipInterpolator

BOX = Box(0.60, 0.40, 0.45)
DRUM = UprightCylinder(0.45, 0.80)
LYING = LyingCylinder(0.5, 1.2)
BIN = TaperedBin(0.50, 0.35, 0.60, 0.43, 0.40)
VAT = ConeBottom(0.58, 0.18, 0.98)
TABLE = Strapping((0.0, 0.05, 0.1, 0.2, 0.3, 0.4), (0.0, 3.1, 7.9, 19.8, 32.5, 45.3))
ALL = [BOX, DRUM, LYING, BIN, VAT, TABLE]

# Curves drawn independently: fluids 1.3.1 (horizontal cylinder, conical tank), scipy quad.
_FLUIDS_VAT = TANK(D=0.58, L=0.80, horizontal=False, sideA="conical", sideA_a=0.18)
_FLUIDS_DRUM = TANK(D=0.45, L=0.80, horizontal=False)


def _frustum_l(depth_m: float) -> float:
    def slice_m2(h: float) -> float:
        return (0.50 + 0.10 * h / 0.40) * (0.35 + 0.08 * h / 0.40)

    return 1000.0 * quad(slice_m2, 0.0, depth_m)[0]


REFERENCE = {
    "box": (BOX, lambda h: 240.0 * h),  # arithmetic: 0.60 m x 0.40 m x 1000 L/m3
    "upright_cylinder": (DRUM, lambda h: 1000.0 * _FLUIDS_DRUM.V_from_h(h)),
    "lying_cylinder": (LYING, lambda h: 1000.0 * V_horiz_conical(D=0.5, L=1.2, a=0.0, h=h)),
    "tapered_bin": (BIN, _frustum_l),
    "cone_bottom": (VAT, lambda h: 1000.0 * _FLUIDS_VAT.V_from_h(h)),
    "strapping": (TABLE, lambda h: float(PchipInterpolator(TABLE.depths_m, TABLE.volumes_l)(h))),
}


@pytest.mark.parametrize("part", [0.0, 0.02, 0.1, 0.18, 0.25, 0.5, 0.75, 0.98, 1.0])
@pytest.mark.parametrize("kind", KINDS)
def test_volume_matches_reference_library(kind: str, part: float) -> None:
    vessel, reference_l = REFERENCE[kind]
    depth = part * vessel.height_m
    assert vessel.volume_l(depth) == pytest.approx(reference_l(depth), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    ("vessel", "depth_m", "volume_l"),
    [
        # Worked values, computed once with fluids 1.3.1 and scipy 1.18.1 and rounded to 1e-6 L.
        (BOX, 0.275, 66.0),
        (DRUM, 0.35, 55.665095),
        (LYING, 0.05, 12.262583),
        (LYING, 0.40, 202.072308),
        (BIN, 0.20, 38.883333),
        (VAT, 0.09, 1.981560),
        (VAT, 0.50, 100.399018),
        (TABLE, 0.025, 1.360364),
        (TABLE, 0.350, 38.887475),
    ],
)
def test_worked_values(vessel: Vessel, depth_m: float, volume_l: float) -> None:
    assert vessel.volume_l(depth_m) == pytest.approx(volume_l, abs=1e-6)


@pytest.mark.parametrize(
    ("vessel", "volume_l", "depth_m"),
    [
        # Root finding by scipy 1.18.1 (brentq) on the same published formulas.
        (LYING, 20.0, 0.06987999),
        (LYING, 200.0, 0.39571659),
        (TABLE, 5.0, 0.07178777),
        (TABLE, 26.0, 0.24927948),
    ],
)
def test_worked_inverses(vessel: Vessel, volume_l: float, depth_m: float) -> None:
    assert vessel.depth_m(volume_l) == pytest.approx(depth_m, abs=1e-8)


@pytest.mark.parametrize("part", [0.0, 0.1, 0.3, 0.5, 0.9, 1.0])
def test_lying_cylinder_slope_is_the_surface_width(part: float) -> None:
    # The slope is the free surface: chord times length (Pythagoras).
    depth = part * LYING.height_m
    chord = 2.0 * math.sqrt(0.25**2 - (0.25 - depth) ** 2)
    assert LYING.litres_per_m(depth) == pytest.approx(1000.0 * 1.2 * chord, abs=1e-9)
    # Half full the surface is the diameter wide: 0.5 m x 1.2 m.
    assert LYING.litres_per_m(0.25) == pytest.approx(600.0)


@pytest.mark.parametrize("part", [0.05, 0.2, 0.4, 0.6, 0.85, 0.95])
@pytest.mark.parametrize("kind", KINDS)
def test_slope_matches_reference_curve(kind: str, part: float) -> None:
    vessel, reference_l = REFERENCE[kind]
    depth, step = part * vessel.height_m, 1e-5
    slope = (reference_l(depth + step) - reference_l(depth - step)) / (2.0 * step)
    assert vessel.litres_per_m(depth) == pytest.approx(slope, rel=1e-5)


@pytest.mark.parametrize("vessel", ALL, ids=KINDS)
@given(part=st.floats(0.0, 1.0))
def test_depth_and_volume_are_inverse(vessel: Vessel, part: float) -> None:
    depth = part * vessel.height_m
    volume = vessel.volume_l(depth)
    # In litres always; in metres to 1e-9 wherever the wall is not closing.
    assert vessel.volume_l(vessel.depth_m(volume)) == pytest.approx(volume, abs=1e-7)
    if vessel.litres_per_m(depth) > 1.0:
        assert vessel.depth_m(volume) == pytest.approx(depth, abs=1e-9)


@pytest.mark.parametrize("vessel", ALL, ids=KINDS)
def test_scaled_multiplies_every_volume_and_keeps_the_height(vessel: Vessel) -> None:
    larger = vessel.scaled(1.07)
    assert larger.height_m == vessel.height_m
    for part in (0.1, 0.5, 1.0):
        depth = part * vessel.height_m
        assert larger.volume_l(depth) == pytest.approx(1.07 * vessel.volume_l(depth), rel=1e-12)


@pytest.mark.parametrize("vessel", ALL, ids=KINDS)
def test_outside_is_refused_beyond_rounding(vessel: Vessel) -> None:
    brim = vessel.height_m
    assert vessel.volume_l(-1e-10) == 0.0
    assert vessel.volume_l(brim + 1e-10) == pytest.approx(vessel.capacity_l)
    for depth in (-0.001, brim + 0.001, math.nan):
        with pytest.raises(ValueError, match="outside"):
            vessel.volume_l(depth)
        with pytest.raises(ValueError, match="outside"):
            vessel.litres_per_m(depth)
    for volume in (-0.1, vessel.capacity_l + 0.1, math.nan):
        with pytest.raises(ValueError, match="outside"):
            vessel.depth_m(volume)
    assert vessel.clamped_m(-0.2) == 0.0
    assert vessel.clamped_m(brim + 1.0) == brim
    assert vessel.clamped_m(0.1) == 0.1


@pytest.mark.parametrize("vessel", ALL, ids=KINDS)
def test_dict_round_trip(vessel: Vessel) -> None:
    stored = vessel.as_dict()
    assert stored["kind"] == vessel.kind
    assert shape_from_dict(stored) == vessel


# --- strapping table ---

rises = st.lists(st.floats(1e-3, 50.0), min_size=1, max_size=12)


@given(steps=rises, data=st.data())
def test_strapping_equals_scipy_pchip(steps: list[float], data: st.DataObject) -> None:
    count = len(steps)
    gaps = data.draw(st.lists(st.floats(0.01, 1.0), min_size=count, max_size=count))
    depths = [0.0]
    volumes = [0.0]
    for gap, step in zip(gaps, steps, strict=True):
        depths.append(depths[-1] + gap)
        volumes.append(volumes[-1] + step)
    ours = Strapping(tuple(depths), tuple(volumes))
    scipys = PchipInterpolator(depths, volumes)
    slope = scipys.derivative()
    for part in (0.0, 0.03, 0.21, 0.5, 0.77, 0.96, 1.0):
        depth = part * ours.height_m
        assert ours.volume_l(depth) == pytest.approx(float(scipys(depth)), rel=1e-9, abs=1e-9)
        assert ours.litres_per_m(depth) == pytest.approx(float(slope(depth)), rel=1e-6, abs=1e-6)


def test_strapping_never_turns_back_where_a_plain_spline_would() -> None:
    # Natural cubic splines dip to -1.378 L/mm on this table (scipy CubicSpline); ours must not.
    steep = Strapping((0.0, 0.01, 0.02, 0.03, 0.04), (0.0, 0.1, 10.0, 10.1, 10.2))
    volumes = [steep.volume_l(i * 0.04 / 400) for i in range(401)]
    assert volumes == sorted(volumes)


def test_two_points_are_a_straight_line() -> None:
    line = Strapping((0.0, 0.4), (0.0, 40.0))
    assert line.volume_l(0.1) == pytest.approx(10.0)
    assert line.litres_per_m(0.3) == pytest.approx(100.0)


# --- refusals name the field and offer a value that works ---


@pytest.mark.parametrize(
    ("data", "field"),
    [
        ({"kind": "box", "width_m": 0.4, "height_m": 0.4}, "length_m"),
        ({"kind": "box", "length_m": 60, "width_m": 0.4, "height_m": 0.4}, "length_m"),
        ({"kind": "box", "length_m": 0.6, "width_m": 0, "height_m": 0.4}, "width_m"),
        ({"kind": "box", "length_m": 0.6, "width_m": 0.4, "height_m": math.inf}, "height_m"),
        ({"kind": "box", "length_m": 0.6, "width_m": True, "height_m": 0.4}, "width_m"),
        ({"kind": "upright_cylinder", "diameter_m": "0.4", "height_m": 0.4}, "diameter_m"),
        ({"kind": "lying_cylinder", "diameter_m": 0.4, "length_m": -1.0}, "length_m"),
        (BIN.as_dict() | {"top_width_m": 0.001}, "top_width_m"),
        ({"kind": "cone_bottom", "diameter_m": 0.5, "cone_m": 0.6, "height_m": 0.5}, "cone_m"),
        ({"kind": "sphere"}, "kind"),
        ({}, "kind"),
        ({"kind": "strapping", "depths_m": "0, 1", "volumes_l": [0, 1]}, "depths_m"),
        ({"kind": "strapping", "depths_m": [0, 1]}, "volumes_l"),
        ({"kind": "strapping", "depths_m": [0], "volumes_l": [0]}, "depths_m"),
        ({"kind": "strapping", "depths_m": [0, 1], "volumes_l": [0, 1, 2]}, "volumes_l"),
        ({"kind": "strapping", "depths_m": [0, None], "volumes_l": [0, 1]}, "depths_m"),
        ({"kind": "strapping", "depths_m": [0.1, 0.2], "volumes_l": [0, 1]}, "depths_m"),
        ({"kind": "strapping", "depths_m": [0, 0.2, 0.1], "volumes_l": [0, 1, 2]}, "depths_m"),
        ({"kind": "strapping", "depths_m": [0, 0.1, 0.2], "volumes_l": [0, 2, 2]}, "volumes_l"),
        ({"kind": "strapping", "depths_m": [0, 40], "volumes_l": [0, 45]}, "depths_m"),
        (
            {"kind": "strapping", "depths_m": list(range(201)), "volumes_l": list(range(201))},
            "depths_m",
        ),
    ],
)
def test_refusal_names_the_field(data: dict[str, object], field: str) -> None:
    with pytest.raises(GeometryError) as caught:
        shape_from_dict(data)
    assert caught.value.field == field
    assert str(caught.value).startswith(field)
    assert str(caught.value.works) in str(caught.value)


def test_offered_value_works() -> None:
    asked = SimpleNamespace(diameter_m=0.5, height_m=0.5)
    with pytest.raises(GeometryError) as caught:
        ConeBottom(asked.diameter_m, 0.6, asked.height_m)
    assert isinstance(caught.value.works, float)
    repaired = ConeBottom(asked.diameter_m, caught.value.works, asked.height_m)
    assert repaired.capacity_l > 0.0
