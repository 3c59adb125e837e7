"""A month with an independent tank: level, salinity, limewater, evaporation; each fault named.

The tank shares no formula with the engine. Its sensors are noisy and coarse; the engine sees
nothing else.
"""

from dataclasses import dataclass, field

import pytest
from custom_components.stillwell.engine import evaporation, limewater, seawater
from custom_components.stillwell.engine.delivery import Delivery, judge_delivery
from custom_components.stillwell.engine.dosing import DoseAdjuster, DosingFacts, DosingSpec
from custom_components.stillwell.engine.evaporation_book import (
    EvaporationBook,
    EvaporationView,
    Measured,
    SurfaceSpec,
    Surroundings,
)
from custom_components.stillwell.engine.evaporation_reading import EvaporationReading
from custom_components.stillwell.engine.heater_watch import (
    HeaterVerdict,
    HeaterWatch,
    ThermalSpec,
)
from custom_components.stillwell.engine.ledger import DayUse
from custom_components.stillwell.engine.quantities import DaySpan
from custom_components.stillwell.engine.salinity_book import SalinityBook, SalinitySpec
from custom_components.stillwell.engine.salt_balance import SaltVerdict
from tests.simulator.tank import Tank

TARGET_M = 0.2
MOST_PER_DAY_L = 2.6
SPEC = DosingSpec(
    target_m=TARGET_M, sump_area_m2=0.18, ceiling_l_per_h=0.12, most_per_dose_l=0.03,
    most_per_hour_l=0.12, most_per_day_l=MOST_PER_DAY_L, high_m=0.22,
)  # fmt: skip
HEATER = ThermalSpec(24.5, 27.0, power_w=300.0, volume_l=300.0)


@dataclass(slots=True)
class Lab:
    """The tank with what acts on it: limewater doses every ten minutes, fresh water below."""

    tank: Tank
    adjuster: DoseAdjuster = field(default_factory=lambda: DoseAdjuster(SPEC))
    watch: HeaterWatch = field(default_factory=lambda: HeaterWatch(HEATER))
    book: EvaporationBook = field(
        default_factory=lambda: EvaporationBook(SurfaceSpec(1.0, 35.0, activity_frac=0.625))
    )
    salt_book: SalinityBook = field(
        default_factory=lambda: SalinityBook(
            SalinitySpec(300.0, 33.0, 36.5, overfill_l=3.0, has_probe=True)
        )
    )
    recent: list[float] = field(default_factory=list)
    dosed_l: list[float] = field(default_factory=list)
    """By day."""
    measured_l: list[float] = field(default_factory=list)
    true_l: list[float] = field(default_factory=list)
    levels_m: list[float] = field(default_factory=list)
    salinities: list[float] = field(default_factory=list)
    heat_j: list[float] = field(default_factory=list)
    """Each ten minutes."""
    uses: list[DayUse] = field(default_factory=list)
    verdicts: set[HeaterVerdict] = field(default_factory=set)

    def level_m(self) -> float:
        """Return the mean of the last ten readings."""
        self.recent = [*self.recent[-9:], self.tank.seen_sump_m()]
        return sum(self.recent) / len(self.recent)

    def rest_m(self) -> float:
        """Return a level from fifty readings, for the day's balance."""
        return sum(self.tank.seen_sump_m() for _ in range(50)) / 50.0

    def day(self, *, is_quiet: bool = True) -> None:
        tank = self.tank
        start_m, evaporated = self.rest_m(), tank.evaporated_kg
        dosed = fresh = 0.0
        for minute in range(1440):
            tank.step()
            seen = tank.seen_temp_c()
            view = self.watch.take(tank.t_s, seen, is_on=tank.is_commanded_on)
            self.verdicts.add(view.heater)
            level = self.level_m()
            advice = self.adjuster.look(tank.t_s, DosingFacts(level))
            if minute % 10 == 0:
                dose = min(advice.dose_l, advice.rate_l_per_h / 6.0)
                if dose > 0.0:
                    self.adjuster.dosed(tank.t_s, dose)
                    tank.add(dose, 40.6 * dose)
                    dosed += dose
                if level < TARGET_M - 0.003:
                    tank.add(0.1)
                    fresh += 0.1
                self._look(seen, is_quiet=is_quiet)
                self.levels_m.append(tank.sump_m)
                self.salinities.append(tank.salinity)
        self._close(start_m, evaporated, dosed + fresh)
        self.dosed_l.append(dosed)

    @property
    def span(self) -> DaySpan:
        at = int((self.tank.t_s - 1.0) // 86400)
        return DaySpan(f"2026-03-{at + 1:02d}", at * 86400.0, (at + 1) * 86400.0)

    def surroundings(self, seen_c: float, *, is_quiet: bool = True) -> Surroundings:
        """Return what is seen of water and room, and the heater's mean over a day."""
        tank, heat_j = self.tank, self.heat_j
        heater_w = (heat_j[-1] - heat_j[-145]) / 86400.0 if len(heat_j) > 144 else None
        return Surroundings(seen_c, tank.air_c, tank.humidity_frac, heater_w, not is_quiet)

    def _look(self, seen_c: float, *, is_quiet: bool) -> None:
        tank = self.tank
        self.heat_j.append(tank.heat_j)
        self.book.take(tank.t_s, self.span, self.surroundings(seen_c, is_quiet=is_quiet))
        if self.book.is_day_due(tank.t_s):
            self.book.close(tank.t_s, self.uses)
        true_cond = seawater.conductivity_ms_per_cm(tank.salinity, 25.0) * tank.probe_gain
        probe_psu = seawater.salinity_psu(round(true_cond, 2), 25.0)
        self.salt_book.take(tank.t_s, self.span, probe_psu)

    def _close(self, start_m: float, evaporated: float, added: float) -> None:
        tank = self.tank
        area_l_per_m = 180.0
        measured = evaporation.measured_l_per_day(
            start_m * area_l_per_m, self.rest_m() * area_l_per_m, added, 0.0, 86400.0
        )
        self.measured_l.append(measured)
        self.uses.append(DayUse(self.span.key, measured, added, 0.0, 1.0))
        self.true_l.append((tank.evaporated_kg - evaporated) / 0.997)

    def salt(self) -> SaltVerdict:
        """Return what the last days of conductivity and top-off say together."""
        ledger = self.book.salt_ledger(self.tank.t_s)
        return self.salt_book.view(self.tank.t_s, self.measured_l[-1], ledger).verdict

    def view(self, salt: SaltVerdict = SaltVerdict.UNKNOWN) -> EvaporationView:
        """Return what the last day's evaporation says, the heater's power being known."""
        seen = self.surroundings(self.tank.seen_temp_c())
        return self.book.view(self.tank.t_s, Measured(self.measured_l[-1], 0.0), seen, salt)

    def reading(self, salt: SaltVerdict = SaltVerdict.UNKNOWN) -> EvaporationReading:
        """Return its reading."""
        return self.view(salt).reading


@pytest.fixture
def settled() -> Lab:
    """A week of an ordinary tank."""
    lab = Lab(Tank())
    for _ in range(7):
        lab.day()
    return lab


def test_thirty_days() -> None:
    lab = Lab(Tank())
    for _ in range(30):
        lab.day()
    assert max(abs(level - TARGET_M) for level in lab.levels_m) <= 0.005
    start = lab.salinities[0]
    assert max(abs(psu - start) for psu in lab.salinities) <= 0.2
    assert all(0.0 < day <= MOST_PER_DAY_L + 1e-9 for day in lab.dosed_l)  # rounding of sums
    for measured, true in list(zip(lab.measured_l, lab.true_l, strict=True))[2:]:
        assert measured == pytest.approx(true, rel=0.05)
    assert lab.verdicts <= {HeaterVerdict.UNKNOWN, HeaterVerdict.NORMAL}
    assert lab.reading() is EvaporationReading.AS_EXPECTED
    assert lab.salt() is SaltVerdict.STEADY
    # 0.05 kg/(m2 h kPa) is what the tank was made with; humidity and temperature are measured.
    assert lab.view().coefficient == pytest.approx(0.05, rel=0.05)
    # Alkalinity brought is that of the doses, and at most 1 dKH a day.
    rise = limewater.rise_dkh(max(lab.dosed_l), 300.0, 40.6)
    assert rise <= 1.0


@pytest.mark.parametrize(
    ("factor", "reading"),
    [(2.2, EvaporationReading.COVER_OFF), (4.5, EvaporationReading.MOVING_AIR)],
)
def test_cover_off_and_fan_on(settled: Lab, factor: float, reading: EvaporationReading) -> None:
    """The cover let through 0.05; open and still 0.11, with a fan 0.225 kg/(m2 h kPa)."""
    settled.tank.evaporates_kg_per_m2_h_kpa *= factor
    settled.day(is_quiet=False)
    settled.day(is_quiet=False)
    assert settled.reading() is reading


def test_salt_water_that_leaks_is_no_evaporation(settled: Lab) -> None:
    settled.tank.leak_l_per_h = 0.12
    for _ in range(5):
        settled.day()
    assert settled.salt() is SaltVerdict.SALT_WATER_LEAVING
    assert settled.reading(settled.salt()) is EvaporationReading.WATER_LEAVING


def test_fouled_probe(settled: Lab) -> None:
    for _ in range(5):
        settled.tank.probe_gain *= 0.994
        settled.day()
    assert settled.salt() is SaltVerdict.PROBE_DOUBTFUL
    assert settled.reading(settled.salt()) is EvaporationReading.AS_EXPECTED


@pytest.mark.parametrize(
    ("fault", "verdict"),
    [("is_heater_dead", HeaterVerdict.DEAD), ("is_heater_stuck", HeaterVerdict.STUCK_ON)],
)
def test_heater_faults(settled: Lab, fault: str, verdict: HeaterVerdict) -> None:
    settled.verdicts.clear()
    setattr(settled.tank, fault, True)
    settled.day(is_quiet=False)
    assert verdict in settled.verdicts
    other = {HeaterVerdict.DEAD, HeaterVerdict.STUCK_ON} - {verdict}
    assert not other & settled.verdicts


def test_stock_exhausted_and_pump_clogged() -> None:
    """Ten litres of stock, 50 mL an hour; the stock's level is good to 30 mL."""
    for arrives, stock, named in (
        (1.0, 10.0, Delivery.ARRIVING),
        (0.1, 10.0, Delivery.PUMP_CLOGGED),
        (1.0, 0.4, Delivery.STOCK_EXHAUSTED),
    ):
        left, commanded, drawn = stock, 0.0, 0.0
        for _ in range(24):
            commanded += 0.05
            flow = min(left, 0.05 * arrives)
            left -= flow
            drawn += flow
        assert judge_delivery(commanded, drawn, left, 0.03) is named
