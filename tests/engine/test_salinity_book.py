"""Books of a salinity: gsw for masses and conductivity, scipy for the slope, a tank for faults."""

from typing import Any

import gsw
import pytest
from custom_components.stillwell.engine.evaporation_book import SaltLedger
from custom_components.stillwell.engine.quantities import DaySpan
from custom_components.stillwell.engine.salinity_book import (
    SalinityBook,
    SalinitySpec,
    SalinityView,
)
from custom_components.stillwell.engine.salinity_record import salinity_recorded
from custom_components.stillwell.engine.salt_balance import SaltVerdict
from custom_components.stillwell.engine.theil_sen import robust_line
from custom_components.stillwell.engine.validity import InputError, InputFault
from scipy.stats import theilslopes

DAY_S = 86400.0
STEP_S = 900.0
PROBE = SalinitySpec(300.0, 33.0, 36.5, overfill_l=10.0, has_probe=True)
TYPED = SalinitySpec(300.0, 33.0, 36.5, overfill_l=10.0, has_probe=False)
STEADY = SaltLedger(4.0, 4.0, 0.1)


class Tank:
    """A tank whose salinity is looked at every quarter of an hour."""

    def __init__(self, spec: SalinitySpec = PROBE) -> None:
        self.book = SalinityBook(spec)
        self.t_s = 0.0

    def look(self, psu: float | None, **more: Any) -> None:
        at = int(self.t_s // DAY_S)
        self.book.take(self.t_s, DaySpan(str(at), at * DAY_S, (at + 1) * DAY_S), psu, **more)

    def run(self, hours: float, psu: float | None, per_day: float = 0.0) -> None:
        began_s = self.t_s
        for _ in range(int(hours * 4)):
            self.t_s += STEP_S
            self.look(None if psu is None else psu + per_day * (self.t_s - began_s) / DAY_S)

    def view(
        self, evaporation: float | None = 4.0, ledger: SaltLedger | None = STEADY, **more: Any
    ) -> SalinityView:
        return self.book.view(self.t_s, evaporation, ledger, **more)


def _after(fresh_l: float) -> float:
    """Return 300 L of 35 PSU at 25 degC with fresh water added, by gsw's densities."""
    mass = 300.0 * float(gsw.rho_t_exact(35.16504, 25.0, 0.0)) / 1000.0
    return 35.0 * mass / (mass + fresh_l * float(gsw.rho_t_exact(0.0, 25.0, 0.0)) / 1000.0)


def test_what_would_move_the_salinity() -> None:
    """The mass balance with gsw's densities; EOS-80 and TEOS-10 differ by 1e-5."""
    tank = Tank()
    tank.run(1.0, 35.0)
    view = tank.view()
    assert view.salinity_psu == 35.0
    assert view.unreplaced_psu_per_day == pytest.approx(_after(-4.0) - 35.0, abs=1e-4)
    assert view.overfill_psu == pytest.approx(_after(10.0) - 35.0, abs=1e-4)
    # The band ends at 36.5 PSU: so many litres of the 300 must be gone.
    mass = 300.0 * float(gsw.rho_t_exact(35.16504, 25.0, 0.0)) / 1000.0
    gone_l = mass * (1.0 - 35.0 / 36.5) / 0.9970476
    assert view.hours_to_leave == pytest.approx(gone_l / 4.0 * 24.0, rel=1e-4)
    # Water of another temperature is as good; one that no tank has counts as not known.
    assert tank.view(temp_c=24.0).overfill_psu == pytest.approx(view.overfill_psu, abs=1e-3)
    assert tank.view(temp_c=80.0).overfill_psu == view.overfill_psu


def test_without_an_evaporation_only_the_rest_is_shown() -> None:
    tank = Tank()
    tank.run(1.0, 35.0)
    view = tank.view(None, None)
    assert (view.unreplaced_psu_per_day, view.hours_to_leave) == (None, None)
    assert view.overfill_psu is not None
    assert view.verdict is SaltVerdict.UNKNOWN
    # Not within a season, and never.
    assert tank.view(0.05).hours_to_leave is None
    assert tank.view(0.0).hours_to_leave is None
    # A vessel that gained water evaporates nothing; one that lost it all is no tank.
    assert tank.view(-1.0).unreplaced_psu_per_day == 0.0
    assert tank.view(250.0).unreplaced_psu_per_day is None


def test_a_salinity_typed_in_wrong_is_taken_back() -> None:
    tank = Tank(TYPED)
    for psu in (34.8, 34.9, 43.0 - 1.0):
        tank.run(6.0, None)
        tank.book.record(tank.t_s, psu)
    (_, first), (second_s, second), (wrong_s, wrong) = tank.book.records
    assert (first, second, wrong) == (34.8, 34.9, 42.0)
    tank.run(1.0, None)
    assert tank.view().is_high is True
    tank.book.take_back(wrong_s)
    tank.run(1.0, None)
    view = tank.view()
    assert (view.salinity_psu, view.recorded_s) == (34.9, second_s)
    assert view.is_high is False
    tank.book.take_back(wrong_s)
    assert len(tank.book.records) == 2


def test_without_a_salinity_nothing_is_shown() -> None:
    tank = Tank()
    tank.run(1.0, None)
    view = tank.view()
    assert view.salinity_psu is view.overfill_psu is view.hours_to_leave is None
    assert view.is_low is view.is_high is None


@pytest.mark.parametrize("per_day", [-0.2, 0.0, 0.3])
def test_drift_of_a_probe(per_day: float) -> None:
    """Means of whole days lie on the line they were made from."""
    tank = Tank()
    tank.run(5.0 * 24.0, 35.0, per_day)
    assert tank.view().drift_psu_per_day == pytest.approx(per_day, abs=2e-3)


def test_salt_water_that_leaves_and_a_probe_that_is_fouled() -> None:
    """0.2 PSU a day of 300 L at 35: 1.72 L/d; the top-off sees 1.7 L/d more, or nothing."""
    tank = Tank()
    tank.run(5.0 * 24.0, 35.0, -0.2)
    leaking = tank.view(ledger=SaltLedger(5.7, 4.0, 0.1))
    assert leaking.verdict is SaltVerdict.SALT_WATER_LEAVING
    assert leaking.leaving_l_per_day == pytest.approx(0.2 * 300.0 / 34.0, rel=0.02)
    assert tank.view().verdict is SaltVerdict.PROBE_DOUBTFUL
    tank = Tank()
    tank.run(5.0 * 24.0, 35.0, 0.45)
    # 4 L evaporate and nothing is added: 0.47 PSU a day.
    assert tank.view(ledger=SaltLedger(0.0, 4.0, 0.1)).verdict is SaltVerdict.CONCENTRATING
    tank = Tank()
    tank.run(5.0 * 24.0, 35.0)
    assert tank.view().verdict is SaltVerdict.STEADY


def test_a_water_change_begins_the_drift_anew() -> None:
    tank = Tank()
    tank.run(5.0 * 24.0, 35.0)
    assert tank.view().drift_psu_per_day is not None
    tank.look(35.5, is_changed=True)
    assert tank.view().drift_psu_per_day is None
    tank.run(2.0 * 24.0, 35.5)
    assert tank.view().verdict is SaltVerdict.UNKNOWN


def test_a_day_that_was_hardly_seen_is_no_point() -> None:
    tank = Tank()
    for _ in range(5):
        tank.run(11.0, 35.0)
        tank.run(13.0, None)
    assert tank.view().drift_psu_per_day is None


def test_a_typed_salinity_is_known_for_a_fortnight() -> None:
    tank = Tank(TYPED)
    tank.look(None)
    assert tank.book.salinity_psu is None
    tank.book.record(tank.t_s, 34.5)
    tank.look(None)
    assert tank.book.salinity_psu == 34.5
    tank.t_s = 14.0 * DAY_S
    tank.look(None)
    view = tank.view()
    assert (view.salinity_psu, view.recorded_psu, view.recorded_days) == (34.5, 34.5, 14)
    tank.t_s += 1.0
    tank.look(None)
    view = tank.view()
    assert (view.salinity_psu, view.recorded_psu, view.recorded_days) == (None, None, 14)
    assert view.recorded_s == 0.0


def test_drift_of_readings_by_hand() -> None:
    """34, 35, 36 PSU at days 0, 4 and 8: a quarter a day, against 3 sigma of 0.3 / 5.66."""
    tank = Tank(TYPED)
    for at, psu in ((0.0, 34.0), (4.0, 35.0), (8.0, 36.0)):
        tank.t_s = at * DAY_S
        tank.book.record(tank.t_s, psu)
    tank.look(None)
    view = tank.view(ledger=SaltLedger(0.0, 2.1, 0.1))
    assert view.drift_psu_per_day == pytest.approx(0.25)
    assert view.verdict is SaltVerdict.CONCENTRATING


def test_readings_within_minutes_are_one_reading_and_no_drift() -> None:
    """Thrice to be sure; then over eight days the drift is that of the days alone (by hand)."""
    tank = Tank(TYPED)
    for minute, psu in ((0.0, 35.0), (2.0, 35.3), (4.0, 35.1)):
        tank.t_s = 60.0 * minute
        tank.book.record(tank.t_s, psu)
    tank.look(None)
    assert tank.view().drift_psu_per_day is None
    tank.t_s = 1.9 * DAY_S
    tank.book.record(tank.t_s, 35.1)
    assert tank.view().drift_psu_per_day is None
    tank.t_s = 8.0 * DAY_S
    tank.book.record(tank.t_s, 35.9)
    tank.look(None)
    drift = tank.view().drift_psu_per_day
    slopes = [(35.1 - first) / 1.9 for first in (35.0, 35.3, 35.1)]
    slopes += [(35.9 - first) / 8.0 for first in (35.0, 35.3, 35.1)] + [0.8 / 6.1]
    # Minutes of eight days are a thousandth.
    assert drift == pytest.approx(sorted(slopes)[3], rel=2e-3)


def test_readings_before_a_water_change_are_no_drift() -> None:
    tank = Tank(TYPED)
    for at in range(4):
        tank.t_s = at * DAY_S
        tank.book.record(tank.t_s, 34.0)
    tank.look(None, is_changed=True)
    tank.t_s += DAY_S
    tank.book.record(tank.t_s, 36.0)
    tank.look(None)
    # The reading at the very time of the change is taken with it: two, and none before.
    assert tank.view().drift_psu_per_day is None


def test_a_probe_is_not_replaced_by_what_was_typed() -> None:
    tank = Tank(PROBE)
    tank.book.record(0.0, 34.5)
    tank.look(None)
    assert tank.view().salinity_psu is None
    assert tank.view().recorded_psu == 34.5


def test_alarms_wait_and_have_a_dead_band() -> None:
    """Ten minutes beyond the limit; back only when 0.2 PSU inside for ten minutes."""
    tank = Tank()
    tank.look(36.6)
    assert tank.view().is_high is False
    tank.run(0.25, 36.6)
    assert tank.view().is_high is True
    tank.run(1.0, 36.4)
    assert tank.view().is_high is True
    tank.run(1.0, 36.2)
    assert (tank.view().is_high, tank.view().is_low) == (False, False)
    tank.run(1.0, 32.9)
    assert tank.view().is_low is True
    assert tank.view().hours_to_leave == 0.0


def test_what_is_no_salinity_is_not_taken() -> None:
    tank = Tank()
    for psu in (1.026, 53.0, float("nan")):
        with pytest.raises(InputError):
            tank.look(psu)
        with pytest.raises(InputError):
            tank.book.record(0.0, psu)
    assert tank.book.salinity_psu is None
    for changes in ({"low": 36.5}, {"low": 1.0}, {"high": 43.0}, {"volume": 0.0}, {"over": -1.0}):
        values = {"low": 33.0, "high": 36.5, "volume": 300.0, "over": 1.0} | changes
        with pytest.raises(InputError):
            SalinitySpec(
                values["volume"], values["low"], values["high"], values["over"], has_probe=True
            )


def test_the_books_come_back() -> None:
    tank = Tank()
    tank.run(100.0, 35.0, 0.1)
    tank.book.record(tank.t_s, 34.9)
    book = SalinityBook(PROBE)
    book.restore(tank.book.snapshot())
    assert book.snapshot() == tank.book.snapshot()
    fresh = SalinityBook(PROBE)
    fresh.restore(SalinityBook(PROBE).snapshot())
    assert fresh.snapshot() == SalinityBook(PROBE).snapshot()


@pytest.mark.parametrize(
    "damage",
    [
        {"days": None},
        {"days": [[1.0]]},
        {"records": [[1.0, 99.0]]},
        {"records": [[1.0, "x"]]},
        {"changed_s": None},
        {"today": ["2026-03-01", 1.0]},
        {"today": ["2026-03-01", 1.0, 0.0, 1.0, 1.0]},
        {"today": 3},
    ],
    ids=str,
)
def test_damaged_books_are_refused(damage: dict[str, Any]) -> None:
    book = SalinityBook(PROBE)
    with pytest.raises(ValueError, match=r"books|salinity|number|values to unpack|day"):
        book.restore(SalinityBook(PROBE).snapshot() | damage)


# The slope


def test_slope_is_scipy_s() -> None:
    """theilslopes of scipy.stats; one of seven points is far off."""
    x = [0.0, 1.0, 2.0, 3.5, 4.0, 5.0, 7.0]
    y = [35.0, 34.92, 34.79, 34.66, 36.9, 34.51, 34.28]
    line = robust_line(list(zip(x, y, strict=True)), 0.0)
    assert line is not None
    assert line.slope == pytest.approx(theilslopes(y, x).slope, abs=1e-12)
    assert robust_line([(0.0, 1.0), (1.0, 2.0)], 0.1) is None
    assert robust_line([(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)], 0.1) is None


def test_sigma_of_a_slope() -> None:
    """Least squares: sigma / sqrt(sum of squared distances) = 0.1 / sqrt(2)."""
    line = robust_line([(0.0, 1.0), (1.0, 2.0), (2.0, 3.0)], 0.1)
    assert line is not None
    assert line.sigma == pytest.approx(0.0707107, abs=1e-6)


# What was typed in


@pytest.mark.parametrize(("gravity", "psu"), [(1.023, 30.542), (1.025, 33.186), (1.0264, 35.035)])
def test_specific_gravity_at_25_25(gravity: float, psu: float) -> None:
    """Inverse of gsw.rho_t_exact over that of pure water; EOS-80 is within 0.004 kg/m3 of it."""
    found = salinity_recorded(gravity=gravity, temp_c=25.0, reference_c=25.0)
    assert found == pytest.approx(psu, abs=5e-3)


@pytest.mark.parametrize("ms_per_cm", [50.0, 53.0, 56.0])
def test_conductivity_at_25(ms_per_cm: float) -> None:
    """gsw.SP_from_C takes ITS-90 and mS/cm."""
    expected = float(gsw.SP_from_C(ms_per_cm, 25.0, 0.0))
    found = salinity_recorded(conductivity_ms_per_cm=ms_per_cm, temp_c=25.0)
    assert found == pytest.approx(expected, abs=1e-3)


def test_a_salinity_as_it_is() -> None:
    assert salinity_recorded(salinity=35.0) == 35.0


@pytest.mark.parametrize(
    ("given", "fault"),
    [
        ({}, InputFault.CONTRADICTION),
        ({"salinity": 35.0, "gravity": 1.026}, InputFault.CONTRADICTION),
        ({"gravity": 1.026}, InputFault.NO_REFERENCE),
        ({"gravity": 1.026, "temp_c": 25.0}, InputFault.NO_REFERENCE),
        ({"gravity": 1.026, "temp_c": 77.0, "reference_c": 25.0}, InputFault.FAHRENHEIT),
        ({"gravity": 1.026, "temp_c": 25.0, "reference_c": 60.0}, InputFault.FAHRENHEIT),
        ({"gravity": 1026.0, "temp_c": 25.0, "reference_c": 25.0}, InputFault.DENSITY),
        ({"gravity": 35.0, "temp_c": 25.0, "reference_c": 25.0}, InputFault.SALINITY),
        ({"gravity": 1.0, "temp_c": 25.0, "reference_c": 25.0}, InputFault.OUTSIDE_RANGE),
        ({"conductivity_ms_per_cm": 53.0}, InputFault.NO_REFERENCE),
        ({"conductivity_ms_per_cm": 53000.0, "temp_c": 25.0}, InputFault.MICROSIEMENS),
        ({"conductivity_ms_per_cm": 53.0, "temp_c": 77.0}, InputFault.FAHRENHEIT),
        ({"salinity": 1.026}, InputFault.DENSITY),
        ({"salinity": 53.0}, InputFault.OUTSIDE_RANGE),
    ],
    ids=str,
)
def test_mix_ups_are_refused(given: dict[str, float], fault: InputFault) -> None:
    with pytest.raises(InputError) as caught:
        salinity_recorded(**given)
    assert caught.value.fault is fault
