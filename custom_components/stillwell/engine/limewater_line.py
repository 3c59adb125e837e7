"""One limewater dosing line: adjusts the dose, meters what was given, judges stock and delivery.

Joins the parts; their formulas stand in their own modules. Limewater is caustic and an overdose
kills: whatever is not known is taken for the worse.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from math import floor
from typing import Any, Final

from .alkalinity_log import LATEST_TEST_S, MOST_DKH_PER_DAY, AlkalinityLog, is_far_above
from .carbonate import COLDEST_WATER_C, WARMEST_WATER_C, TankWater
from .consumption import Consumption, TestResult
from .delivery import Delivery, DeliveryWatch
from .dosing import DoseAdjuster, DoseAdvice, DosingFacts, DosingSpec
from .geometry import Vessel
from .limewater import (
    COLDEST_C,
    DKH_PER_MEQ_PER_L,
    Stock,
    alkalinity_meq_per_l,
    calcium_mg_per_l,
    judge_stock,
    largest_dose_l,
    limewater_for_rise_l,
    rise_dkh,
    strength_frac,
)
from .pump_meter import PumpMeter
from .quantities import DAY_S, LITRES_PER_M3
from .seawater import density_kg_per_m3
from .validity import DamagedError, InputError, InputFault, positive

ASSUMED_STOCK_C: Final = 20.0
"""Of a stock whose temperature is not measured: a room's (common practice, no source)."""
ASSUMED_PH: Final = 7.9
"""Where no pH is measured: low, because the same dose raises a low pH more."""
WATER_C: Final = 25.0
"""Of water whose temperature is not measured, or is none that such water has."""
WATER_STEP_C: Final = 0.5
"""The pH cap is worked out for full steps below: colder water bears less, 1 % for each step."""
DOSE_ML_PER_L: Final = 0.5
"""Largest dose proposed for a litre of system (common practice, no source)."""
HOURS_PER_DAY: Final = 24.0
MOST_CAP_DKH_PER_DAY: Final = 2.0
"""Twice the change a day that animals bear; no cap of a day may allow more."""


def proposed_caps_l(system_l: float) -> tuple[float, float, float]:
    """Return caps to start from, for a dose, an hour and a day, L.

    The day's cap brings 1 dKH with saturated limewater at 20 degC; the hour's is a sixth of that,
    or one dose.

    Raises:
        InputError: A system without water.
    """
    day_l = limewater_for_rise_l(MOST_DKH_PER_DAY, system_l, alkalinity_meq_per_l(ASSUMED_STOCK_C))
    dose_l = DOSE_ML_PER_L * system_l / 1000.0
    return dose_l, max(dose_l, day_l / 6.0), day_l


def proposed_ceiling_l_per_h(system_l: float) -> float:
    """Return a ceiling to start from, L/h: twice the day's cap spread over the day.

    Raises:
        InputError: A system without water.
    """
    return 2.0 * proposed_caps_l(system_l)[2] / HOURS_PER_DAY


def area_m2(vessel: Vessel, depth_m: float) -> float:
    """Return the surface of a vessel at a depth, m2."""
    return vessel.litres_per_m(depth_m) / LITRES_PER_M3


def daily_dkh(volume_l: float, system_l: float) -> float:
    """Return the alkalinity (dKH) that some saturated limewater brings at its strongest.

    Raises:
        InputError: A negative volume, or a system without water.
    """
    return rise_dkh(volume_l, system_l, alkalinity_meq_per_l(COLDEST_C))


@dataclass(frozen=True, slots=True)
class LineSpec:
    """The line and the system it doses into."""

    dosing: DosingSpec
    system_l: float
    salinity: float
    target_dkh: float
    """Alkalinity the system is kept at."""
    most_ph_rise: float | None = None
    stock_l_per_m: float | None = None
    """Volume of the stock's vessel for a metre of depth; None: its level is not measured."""

    def __post_init__(self) -> None:
        positive("a volume", self.system_l, "L")
        if self.most_ph_rise is not None:
            self.most_for_ph_l(self.most_ph_rise, ASSUMED_PH, self.target_dkh, None)

    def most_for_ph_l(
        self,
        most_rise: float,
        ph: float,
        alkalinity_dkh: float,
        stock_c: float | None,
        water_c: float = WATER_C,
    ) -> float:
        """Return the largest dose for a rise of pH, L, with the strongest limewater there may be.

        Args:
            most_rise: Rise of pH allowed.
            ph: Present pH, as a probe calibrated with buffers shows it.
            alkalinity_dkh: Present alkalinity.
            stock_c: Temperature of the stock, degC; None: not known, it counts as cold.
            water_c: Temperature of the system's water, degC.

        Raises:
            InputError: Outside the ranges of the carbonate system, 19 to 42 PSU above all.
        """
        density = density_kg_per_m3(self.salinity, water_c) / 1000.0
        umol_per_kg = alkalinity_dkh / DKH_PER_MEQ_PER_L * 1000.0 / density
        water = TankWater(umol_per_kg, ph, self.salinity, water_c)
        meq_per_l = alkalinity_meq_per_l(COLDEST_C if stock_c is None else stock_c)
        return largest_dose_l(water, self.system_l, meq_per_l, most_rise)


@dataclass(frozen=True, slots=True)
class LineFacts:
    """What is known at a look; None: not known."""

    dosing: DosingFacts
    day_start_s: float
    flow_l_per_h: float | None = 0.0
    """Of the dosing pump now."""
    flow_told_s: float | None = None
    """When the pump said so itself."""
    water_temp_c: float | None = None
    """Of the system's water."""
    others_test: TestResult | None = None
    """The newest result that was noted on another line of the same system."""
    stock_temp_c: float | None = None
    stock_ms_per_cm: float | None = None
    stock_l: float | None = None
    stock_usable_l: float | None = None


@dataclass(frozen=True, slots=True)
class LineView:
    """All that may be shown of the line; None means not known."""

    advice: DoseAdvice
    day_start_s: float
    given_today_l: float
    given_24h_l: float
    brings_dkh_per_day: float
    brings_calcium_mg_per_l_per_day: float
    stock: Stock | None
    strength_frac: float | None
    delivery: Delivery
    consumption: Consumption | None
    hold_dkh_per_day: float | None
    hold_l_per_day: float | None
    refused: str | None
    """Why a measurement of the stock is not taken."""


class TypedKind(StrEnum):
    """What a person types in."""

    DOSE = "dose"
    """Limewater, L."""
    RISE = "rise"
    """Alkalinity given with something else, dKH."""
    ALKALINITY = "alkalinity"
    """A test result, dKH."""


@dataclass(frozen=True, slots=True)
class TypedEntry:
    """What a person typed in, and when."""

    kind: TypedKind
    noted_s: float
    value: float


class LimewaterLine:
    """What is alive of a dosing line; give it every report and the time."""

    __slots__ = (
        "_adjuster",
        "_alkalinity",
        "_delivery",
        "_meq_per_l",
        "_meter",
        "_ph_room",
        "spec",
    )

    def __init__(self, spec: LineSpec) -> None:
        self.spec = spec
        self._adjuster = DoseAdjuster(spec.dosing)
        self._meter = PumpMeter()
        self._alkalinity = AlkalinityLog()
        self._meq_per_l = alkalinity_meq_per_l(ASSUMED_STOCK_C)
        self._delivery = None if spec.stock_l_per_m is None else DeliveryWatch(spec.stock_l_per_m)
        self._ph_room: tuple[tuple[float, float, float | None, float], float] | None = None

    @property
    def pump_l_per_h(self) -> float:
        """What the dosing pump gives, L/h, as far as known."""
        return self._meter.flow_l_per_h

    def given_l(self, t_s: float, span_s: float) -> float:
        """Return what was dosed in a span that ends now, L."""
        return self._adjuster.given_l(t_s, span_s)

    @property
    def last_test(self) -> TestResult | None:
        """The newest result that was noted on this line."""
        return self._alkalinity.last

    def told(self, t_s: float, flow_l_per_h: float) -> None:
        """Note that the pump was told to give a flow, L/h; 0: to stop. It counts from now on.

        Raises:
            InputError: A negative flow.
        """
        self._note(t_s, self._meter.ask(t_s, flow_l_per_h))

    def take(self, t_s: float, facts: LineFacts) -> LineView:
        """Return the view after a look."""
        strength, stock_c, refused = _stock(facts)
        shown = 1.0 if strength is None else strength
        temp_c = ASSUMED_STOCK_C if stock_c is None else stock_c
        self._meq_per_l = meq_per_l = alkalinity_meq_per_l(temp_c, shown)
        self._note(t_s, self._meter.take(t_s, facts.flow_l_per_h, facts.flow_told_s))
        usable_l = facts.stock_usable_l
        advice = self._adjuster.look(
            t_s,
            replace(
                facts.dosing,
                is_stock_empty=usable_l is not None and usable_l <= 0.0,
                most_for_ph_l=self._most_for_ph_l(t_s, facts, stock_c),
                is_alkalinity_high=self._is_alkalinity_high(t_s, facts.others_test),
            ),
        )
        l_per_day = HOURS_PER_DAY * advice.rate_l_per_h
        hold_dkh = self._alkalinity.to_hold(t_s, self.spec.target_dkh)
        system_l = self.spec.system_l
        return LineView(
            advice=advice,
            day_start_s=facts.day_start_s,
            given_today_l=self._adjuster.given_l(t_s, t_s - facts.day_start_s),
            given_24h_l=self._adjuster.given_l(t_s, DAY_S),
            brings_dkh_per_day=rise_dkh(l_per_day, system_l, meq_per_l),
            brings_calcium_mg_per_l_per_day=(
                l_per_day * calcium_mg_per_l(temp_c, shown) / system_l
            ),
            stock=None if strength is None else judge_stock(strength),
            strength_frac=strength,
            delivery=(
                Delivery.UNKNOWN
                if self._delivery is None
                else self._delivery.take(t_s, facts.stock_l, usable_l)
            ),
            consumption=self._alkalinity.consumption(t_s),
            hold_dkh_per_day=hold_dkh,
            hold_l_per_day=(
                None
                if hold_dkh is None or meq_per_l <= 0.0
                else limewater_for_rise_l(hold_dkh, system_l, meq_per_l)
            ),
            refused=refused,
        )

    def _is_alkalinity_high(self, t_s: float, others: TestResult | None) -> bool:
        tests = (test for test in (self._alkalinity.last, others) if test is not None)
        newest = max(tests, key=lambda test: test.t_s, default=None)
        return is_far_above(newest, t_s, self.spec.target_dkh)

    def _most_for_ph_l(self, t_s: float, facts: LineFacts, stock_c: float | None) -> float | None:
        rise = self.spec.most_ph_rise
        if rise is None:
            return None
        last = self._alkalinity.last
        is_fresh = last is not None and t_s - last.t_s <= LATEST_TEST_S
        alkalinity = last.alkalinity_dkh if last is not None and is_fresh else self.spec.target_dkh
        ph = facts.dosing.ph
        water_c = _water_c(facts.water_temp_c)
        asked = (ASSUMED_PH if ph is None else round(ph, 2), alkalinity, stock_c, water_c)
        if self._ph_room is None or self._ph_room[0] != asked:
            try:
                most_l = self.spec.most_for_ph_l(rise, *asked)
            except InputError:
                most_l = 0.0  # a pH that no such water has
            self._ph_room = asked, most_l
        return self._ph_room[1]

    def _note(self, t_s: float, dose_l: float) -> None:
        """Note what the pump gave."""
        if dose_l <= 0.0:
            return
        self._adjuster.dosed(t_s, dose_l)
        if self._delivery is not None:
            self._delivery.dosed(dose_l)
        self._alkalinity.dosed(t_s, self._rise_dkh(dose_l))

    def _rise_dkh(self, dose_l: float) -> float:
        # As strong as it is: a weak stock taken for a saturated one would feign consumption.
        return rise_dkh(dose_l, self.spec.system_l, self._meq_per_l)

    # What a person tells

    def record_dose(self, t_s: float, dose_l: float) -> None:
        """Note limewater given by hand.

        Raises:
            InputError: No volume above 0.
        """
        self._adjuster.typed(t_s, dose_l)
        self._alkalinity.typed(t_s, self._rise_dkh(dose_l), is_limewater=True)

    def record_rise(self, t_s: float, dkh: float) -> None:
        """Note alkalinity given with something else, dKH.

        Raises:
            InputError: Not above 0.
        """
        rise = positive("a rise of alkalinity", dkh, "dKH")
        self._alkalinity.typed(t_s, rise, is_limewater=False)

    def record_test(self, t_s: float, alkalinity_dkh: float) -> None:
        """Note a test result.

        Raises:
            InputError: Outside 1 to 30 dKH.
        """
        self._alkalinity.tested(t_s, alkalinity_dkh)

    @property
    def typed(self) -> list[TypedEntry]:
        """All that a person typed in and can take back, the oldest first; no dose of a pump."""
        litres = dict(self._adjuster.typed_doses)
        found = [
            TypedEntry(TypedKind.ALKALINITY, test.t_s, test.alkalinity_dkh)
            for test in self._alkalinity.tests
        ]
        for one in self._alkalinity.typed_doses:
            if not one.is_limewater:
                found.append(TypedEntry(TypedKind.RISE, one.noted_s, one.dose.rise_dkh))
            elif one.noted_s in litres:
                found.append(TypedEntry(TypedKind.DOSE, one.noted_s, litres[one.noted_s]))
        return sorted(found, key=lambda one: one.noted_s)

    def take_back(self, entry: TypedEntry) -> None:
        """Forget one of `typed`; what the pump gave is never forgotten."""
        if entry.kind is TypedKind.ALKALINITY:
            self._alkalinity.take_back_test(entry.noted_s)
            return
        is_limewater = entry.kind is TypedKind.DOSE
        self._alkalinity.take_back_dose(entry.noted_s, is_limewater=is_limewater)
        if is_limewater:
            self._adjuster.take_back(entry.noted_s)

    # Memory

    def suppose_day_used_up(self, t_s: float) -> None:
        """Suppose that all a day may hold was given just now: what was given is not known."""
        self._adjuster.dosed(t_s, self.spec.dosing.most_per_day_l)

    def snapshot(self) -> dict[str, Any]:
        """Return ledger, meter and test results."""
        return {
            "adjuster": self._adjuster.snapshot(),
            "meter": self._meter.snapshot(),
            "alkalinity": self._alkalinity.snapshot(),
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take up what was stored.

        Raises:
            ValueError: It is damaged; nothing is taken up then.
        """
        parts = {name: _part(data, name) for name in ("adjuster", "meter", "alkalinity")}
        adjuster = DoseAdjuster(self.spec.dosing)
        meter, alkalinity = PumpMeter(), AlkalinityLog()
        adjuster.restore(parts["adjuster"])
        meter.restore(parts["meter"])
        alkalinity.restore(parts["alkalinity"])
        self._adjuster, self._meter, self._alkalinity = adjuster, meter, alkalinity


def _part(data: dict[str, Any], name: str) -> dict[str, Any]:
    part = data.get(name)
    if not isinstance(part, dict):
        raise DamagedError(InputFault.OUTSIDE_RANGE, f"{name} is missing")
    return part


def _water_c(temp_c: float | None) -> float:
    """Return the temperature of the water the pH cap is worked out for, degC."""
    if temp_c is None or not COLDEST_WATER_C <= temp_c <= WARMEST_WATER_C:
        return WATER_C
    return WATER_STEP_C * floor(temp_c / WATER_STEP_C)


def _stock(facts: LineFacts) -> tuple[float | None, float | None, str | None]:
    """Return strength and temperature of the stock, and why one of them is not taken."""
    temp_c, conductivity = facts.stock_temp_c, facts.stock_ms_per_cm
    try:
        if temp_c is not None:
            alkalinity_meq_per_l(temp_c)
    except InputError as err:
        return None, None, str(err)
    if conductivity is None:
        return None, temp_c, None
    try:
        known_c = ASSUMED_STOCK_C if temp_c is None else temp_c
        return strength_frac(conductivity, known_c), temp_c, None
    except InputError as err:
        return None, temp_c, str(err)
