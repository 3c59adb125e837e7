"""Vessel shapes: depth above the floor to litres, litres to depth, litres per metre.

Every shape stands level, has rigid walls, and is valid from the floor (depth 0) to its
``height_m``. Formulas are elementary solid geometry, as used to calibrate storage tanks
(ISO 7507-1:2003 upright, ISO 12917-1 lying cylinders). Rock and pumps under water are not
deducted: a known pour (``calibration``) or a strapping table takes care of them.
"""

from abc import ABC, abstractmethod
from bisect import bisect_right
from dataclasses import dataclass, field, fields, replace
from itertools import pairwise
from math import acos, cbrt, isfinite, pi, sqrt
from typing import TYPE_CHECKING, ClassVar, Final, override

from .invalid import Amount, Code, Invalid, Term, Value
from .quantities import LITRES_PER_M3

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

SHORTEST_M: Final = 0.005
LONGEST_M: Final = 20.0
MOST_POINTS: Final = 200
_FEWEST_POINTS: Final = 2
_MARGIN: Final = 1e-9
_UNITS: Final = {"_m": "m", "_l": "L"}

type Works = float | list[float] | str


class GeometryError(Invalid):
    """A dimension that cannot be right: which field, why, and a value that would work."""

    def __init__(self, field_name: str, code: Code, works: Works, **values: Value) -> None:
        super().__init__(code, what=Term(field_name), works=_told(field_name, works), **values)
        self.field = field_name
        self.works = works


def _told(field_name: str, works: Works) -> Value:
    """Return a value of a field, in the field's unit where it is a number or a column."""
    if isinstance(works, str):
        return works
    return Amount(tuple(works) if isinstance(works, list) else works, _UNITS[field_name[-2:]])


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)


def _check_m(field_name: str, value_m: float, example_m: float) -> None:
    if not _is_number(value_m):
        raise GeometryError(field_name, Code.NOT_METRES, example_m)
    value = Amount(value_m, "m")
    if value_m < SHORTEST_M:
        limit = Amount(SHORTEST_M, "m")
        raise GeometryError(field_name, Code.TOO_SHORT, example_m, value=value, limit=limit)
    if value_m > LONGEST_M:
        limit = Amount(LONGEST_M, "m")
        raise GeometryError(field_name, Code.TOO_LONG, example_m, value=value, limit=limit)


class Vessel(ABC):
    """What every shape can tell."""

    __slots__ = ()
    kind: ClassVar[str]
    height_m: float
    """Depth at which the vessel is full to the brim."""

    @abstractmethod
    def _volume_l(self, h: float) -> float:
        """Litres at a depth that is known to be inside the vessel."""

    @abstractmethod
    def _litres_per_m(self, h: float) -> float:
        """Slope dV/dh at a depth that is known to be inside the vessel."""

    @abstractmethod
    def scaled(self, factor: float) -> Vessel:
        """Return the same heights with ``factor`` times the volume at every depth."""

    def _inside_m(self, depth_m: float) -> float:
        height = self.height_m
        if 0.0 <= depth_m <= height:
            return depth_m
        if not -_MARGIN <= depth_m <= height + _MARGIN:
            raise ValueError(f"depth {depth_m} m is outside the vessel (0 to {height} m)")
        return 0.0 if depth_m < 0.0 else height

    @property
    def capacity_l(self) -> float:
        """Volume at the brim."""
        return self._volume_l(self.height_m)

    def volume_l(self, depth_m: float) -> float:
        """Litres at a depth in metres; ValueError outside the vessel."""
        return self._volume_l(self._inside_m(depth_m))

    def litres_per_m(self, depth_m: float) -> float:
        """Slope dV/dh at a depth in metres; 0 where the wall closes (tip, crown)."""
        return self._litres_per_m(self._inside_m(depth_m))

    def depth_m(self, volume_l: float) -> float:
        """Depth in metres for a volume, to 1e-9 m; ValueError outside the vessel."""
        if not -_MARGIN <= volume_l <= self.capacity_l * (1.0 + _MARGIN):
            raise ValueError(f"volume {volume_l} L is outside the vessel")
        low, high = 0.0, self.height_m
        for _ in range(40):  # 20 m halved 40 times: 2e-11 m
            middle = 0.5 * (low + high)
            if self._volume_l(middle) < volume_l:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)

    def clamped_m(self, depth_m: float) -> float:
        """Return the depth, held between the floor and the brim."""
        return min(max(depth_m, 0.0), self.height_m)

    def as_dict(self) -> dict[str, object]:
        """Return the form that ``shape_from_dict`` reads."""
        values = {f.name: getattr(self, f.name) for f in fields(self) if f.init}  # type: ignore[arg-type]
        return {"kind": self.kind} | {
            name: list(value) if isinstance(value, tuple) else value
            for name, value in values.items()
        }


class _StraightWalled(Vessel):
    """A footprint that is the same at every depth."""

    __slots__ = ()
    footprint_l_per_m: float

    @override
    def _volume_l(self, h: float) -> float:
        return self.footprint_l_per_m * h

    @override
    def _litres_per_m(self, h: float) -> float:
        return self.footprint_l_per_m


@dataclass(frozen=True, slots=True)
class Box(_StraightWalled):
    """Straight rectangular walls: V = L W h."""

    length_m: float
    width_m: float
    height_m: float
    footprint_l_per_m: float = field(init=False, repr=False)
    kind: ClassVar[str] = "box"

    def __post_init__(self) -> None:
        _check_m("length_m", self.length_m, 0.6)
        _check_m("width_m", self.width_m, 0.4)
        _check_m("height_m", self.height_m, 0.45)
        footprint = LITRES_PER_M3 * self.length_m * self.width_m
        object.__setattr__(self, "footprint_l_per_m", footprint)

    @override
    def scaled(self, factor: float) -> Box:
        side = sqrt(factor)
        return replace(self, length_m=self.length_m * side, width_m=self.width_m * side)


@dataclass(frozen=True, slots=True)
class UprightCylinder(_StraightWalled):
    """Standing drum: V = pi D^2 h / 4 (ISO 7507-1)."""

    diameter_m: float
    height_m: float
    footprint_l_per_m: float = field(init=False, repr=False)
    kind: ClassVar[str] = "upright_cylinder"

    def __post_init__(self) -> None:
        _check_m("diameter_m", self.diameter_m, 0.45)
        _check_m("height_m", self.height_m, 0.8)
        footprint = LITRES_PER_M3 * pi * self.diameter_m**2 / 4.0
        object.__setattr__(self, "footprint_l_per_m", footprint)

    @override
    def scaled(self, factor: float) -> UprightCylinder:
        return replace(self, diameter_m=self.diameter_m * sqrt(factor))


@dataclass(frozen=True, slots=True)
class LyingCylinder(Vessel):
    """Drum on its side with flat ends (ISO 12917-1); its height is the diameter.

    V = L [R^2 acos((R-h)/R) - (R-h) sqrt(2 R h - h^2)], dV/dh = 2 L sqrt(2 R h - h^2).
    """

    diameter_m: float
    length_m: float
    height_m: float = field(init=False, repr=False)
    kind: ClassVar[str] = "lying_cylinder"

    def __post_init__(self) -> None:
        _check_m("diameter_m", self.diameter_m, 0.5)
        _check_m("length_m", self.length_m, 1.2)
        object.__setattr__(self, "height_m", self.diameter_m)

    @override
    def _volume_l(self, h: float) -> float:
        radius = 0.5 * self.diameter_m
        below = radius - h
        half_chord = sqrt(h * (self.diameter_m - h))
        segment = radius * radius * acos(below / radius) - below * half_chord
        return LITRES_PER_M3 * self.length_m * max(segment, 0.0)  # rounding near the floor

    @override
    def _litres_per_m(self, h: float) -> float:
        return 2.0 * LITRES_PER_M3 * self.length_m * sqrt(h * (self.diameter_m - h))

    @override
    def scaled(self, factor: float) -> LyingCylinder:
        return replace(self, length_m=self.length_m * factor)


@dataclass(frozen=True, slots=True)
class TaperedBin(Vessel):
    """Rectangular frustum: walls lean out (or in) evenly from the floor to the rim.

    With a, b the sides at the floor and p, q their growth per metre:
    V = a b h + (a q + b p) h^2 / 2 + p q h^3 / 3.
    """

    bottom_length_m: float
    bottom_width_m: float
    top_length_m: float
    top_width_m: float
    height_m: float
    kind: ClassVar[str] = "tapered_bin"

    def __post_init__(self) -> None:
        _check_m("bottom_length_m", self.bottom_length_m, 0.5)
        _check_m("bottom_width_m", self.bottom_width_m, 0.35)
        _check_m("top_length_m", self.top_length_m, 0.6)
        _check_m("top_width_m", self.top_width_m, 0.43)
        _check_m("height_m", self.height_m, 0.4)

    @override
    def _volume_l(self, h: float) -> float:
        a, b = self.bottom_length_m, self.bottom_width_m
        da, db = (
            h * (self.top_length_m - a) / self.height_m,
            h * (self.top_width_m - b) / self.height_m,
        )
        return LITRES_PER_M3 * h * (a * b + 0.5 * (a * db + b * da) + da * db / 3.0)

    @override
    def _litres_per_m(self, h: float) -> float:
        part = h / self.height_m
        a = self.bottom_length_m + part * (self.top_length_m - self.bottom_length_m)
        b = self.bottom_width_m + part * (self.top_width_m - self.bottom_width_m)
        return LITRES_PER_M3 * a * b

    @override
    def scaled(self, factor: float) -> TaperedBin:
        side = sqrt(factor)
        return TaperedBin(
            self.bottom_length_m * side,
            self.bottom_width_m * side,
            self.top_length_m * side,
            self.top_width_m * side,
            self.height_m,
        )


@dataclass(frozen=True, slots=True)
class ConeBottom(Vessel):
    """Cylinder on a cone, tip down; ``height_m`` includes the cone.

    V = pi R^2 h^3 / (3 c^2) within the cone of depth c, then pi R^2 (h - 2 c / 3).
    """

    diameter_m: float
    cone_m: float
    height_m: float
    kind: ClassVar[str] = "cone_bottom"

    def __post_init__(self) -> None:
        _check_m("diameter_m", self.diameter_m, 0.58)
        _check_m("height_m", self.height_m, 0.98)
        example_m = float(f"{0.2 * self.height_m:.2g}")
        _check_m("cone_m", self.cone_m, example_m)
        if self.cone_m > self.height_m:
            deep, height = Amount(self.cone_m, "m"), Amount(self.height_m, "m")
            raise GeometryError("cone_m", Code.CONE_TOO_DEEP, example_m, value=deep, height=height)

    def _drum_l_per_m(self) -> float:
        return LITRES_PER_M3 * pi * self.diameter_m**2 / 4.0

    @override
    def _volume_l(self, h: float) -> float:
        if h <= self.cone_m:
            return self._drum_l_per_m() * h * (h / self.cone_m) ** 2 / 3.0
        return self._drum_l_per_m() * (h - 2.0 * self.cone_m / 3.0)

    @override
    def _litres_per_m(self, h: float) -> float:
        return self._drum_l_per_m() * min(h / self.cone_m, 1.0) ** 2

    @override
    def depth_m(self, volume_l: float) -> float:
        # Closed form: near the tip the curve is so flat that halving on litres is too coarse.
        if not -_MARGIN <= volume_l <= self.capacity_l * (1.0 + _MARGIN):
            raise ValueError(f"volume {volume_l} L is outside the vessel")
        drum_m = max(volume_l, 0.0) / self._drum_l_per_m()
        if drum_m <= self.cone_m / 3.0:
            return cbrt(3.0 * drum_m * self.cone_m**2)
        return min(drum_m + 2.0 * self.cone_m / 3.0, self.height_m)

    @override
    def scaled(self, factor: float) -> ConeBottom:
        return replace(self, diameter_m=self.diameter_m * sqrt(factor))


def _end_slope(h0: float, h1: float, d0: float, d1: float) -> float:
    """Three-point end slope, kept from turning back (Moler 2004, Numerical Computing, 3.6)."""
    return max(((2.0 * h0 + h1) * d0 - h0 * d1) / (h0 + h1), 0.0)


def _pchip_slopes(x: Sequence[float], y: Sequence[float]) -> tuple[float, ...]:
    """Slopes of the monotone cubic at each point, for rising data.

    Source: Fritsch & Carlson 1980, SIAM J. Numer. Anal. 17:238, with the weighted harmonic
    mean of Fritsch & Butland 1984, SIAM J. Sci. Stat. Comput. 5:300.
    """
    h = [b - a for a, b in pairwise(x)]
    d = [(b - a) / step for (a, b), step in zip(pairwise(y), h, strict=True)]
    if len(d) == 1:
        return (d[0], d[0])
    inner = [
        3.0 * (h0 + h1) / ((2.0 * h1 + h0) / d0 + (h1 + 2.0 * h0) / d1)
        for (h0, h1), (d0, d1) in zip(pairwise(h), pairwise(d), strict=True)
    ]
    first = _end_slope(h[0], h[1], d[0], d[1])
    last = _end_slope(h[-1], h[-2], d[-1], d[-2])
    return (first, *inner, last)


def _check_column(name: str, values: Sequence[float], example: list[float]) -> None:
    if not all(_is_number(value) for value in values):
        raise GeometryError(name, Code.NOT_NUMBERS, example)
    unit = _UNITS[name[-2:]]
    if values[0] != 0.0:
        works = [0.0, *(v for v in values if v > 0.0)]
        raise GeometryError(name, Code.NOT_FROM_0, works, value=Amount(values[0], unit))
    for row, (before, after) in enumerate(pairwise(values), start=2):
        if after <= before:
            ends = {"before": Amount(before, unit), "after": Amount(after, unit)}
            raise GeometryError(name, Code.NOT_RISING, example, row=row, **ends)


@dataclass(frozen=True, slots=True)
class Strapping(Vessel):
    """Measured table: rising depths and volumes, joined by a monotone cubic.

    The first row is the empty vessel (0, 0). Between rows the curve never turns back, as an
    ordinary cubic spline may; at the rows it is exact.
    """

    depths_m: tuple[float, ...]
    volumes_l: tuple[float, ...]
    height_m: float = field(init=False, repr=False)
    _slopes: tuple[float, ...] = field(init=False, repr=False, compare=False)
    kind: ClassVar[str] = "strapping"

    def __post_init__(self) -> None:
        depths, volumes = tuple(self.depths_m), tuple(self.volumes_l)
        if not _FEWEST_POINTS <= len(depths) <= MOST_POINTS:
            raise GeometryError(
                "depths_m",
                Code.ROWS,
                [0.0, 0.2, 0.4],
                rows=len(depths),
                least=_FEWEST_POINTS,
                most=MOST_POINTS,
            )
        if len(depths) != len(volumes):
            raise GeometryError(
                "volumes_l",
                Code.COLUMNS,
                str(len(depths)),
                rows=len(volumes),
                other=Term("depths_m"),
            )
        _check_column("depths_m", depths, [0.0, 0.2, 0.4])
        _check_column("volumes_l", volumes, [0.0, 19.8, 45.3])
        _check_m("depths_m", depths[-1], 0.4)
        object.__setattr__(self, "depths_m", depths)
        object.__setattr__(self, "volumes_l", volumes)
        object.__setattr__(self, "height_m", depths[-1])
        object.__setattr__(self, "_slopes", _pchip_slopes(depths, volumes))

    def _row(self, h: float) -> tuple[int, float, float, float, float, float]:
        """Row below a depth with its step, part of the step (0 to 1), secant and end slopes."""
        i = min(bisect_right(self.depths_m, h), len(self.depths_m) - 1) - 1
        below = self.depths_m[i]
        step = self.depths_m[i + 1] - below
        secant = (self.volumes_l[i + 1] - self.volumes_l[i]) / step
        return i, step, (h - below) / step, secant, self._slopes[i], self._slopes[i + 1]

    @override
    def _volume_l(self, h: float) -> float:
        i, step, s, secant, m0, m1 = self._row(h)
        bend = m0 + s * (3.0 * secant - 2.0 * m0 - m1 + s * (m0 + m1 - 2.0 * secant))
        return self.volumes_l[i] + step * s * bend

    @override
    def _litres_per_m(self, h: float) -> float:
        _, _, s, secant, m0, m1 = self._row(h)
        bend = 2.0 * (3.0 * secant - 2.0 * m0 - m1) + 3.0 * s * (m0 + m1 - 2.0 * secant)
        return m0 + s * bend

    @override
    def scaled(self, factor: float) -> Strapping:
        return Strapping(self.depths_m, tuple(factor * v for v in self.volumes_l))


_SHAPES: Final[Mapping[str, type[Vessel]]] = {
    shape.kind: shape
    for shape in (Box, UprightCylinder, LyingCylinder, TaperedBin, ConeBottom, Strapping)
}
KINDS: Final = tuple(_SHAPES)


def shape_from_dict(data: Mapping[str, object]) -> Vessel:
    """Return the vessel a stored shape describes; GeometryError names the field at fault."""
    kind = data.get("kind")
    shape = _SHAPES.get(kind) if isinstance(kind, str) else None
    if shape is None:
        raise GeometryError("kind", Code.SHAPE_KIND, Box.kind, value=str(kind))
    values = {f.name: data.get(f.name) for f in fields(shape) if f.init}  # type: ignore[arg-type]
    for name in ("depths_m", "volumes_l"):
        if name in values and not isinstance(values[name], list | tuple):
            raise GeometryError(name, Code.NOT_NUMBERS, [0.0, 0.2, 0.4])
    # A missing dimension arrives as None, which the shape itself refuses by name.
    return shape(**values)
