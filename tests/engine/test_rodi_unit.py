"""An RO/DI unit followed through refills: which runs count, and what they say.

Productions at 25 degC follow the form of ASTM D4516; the factors are those of a membrane
supplier's table of divisors, printed to three decimals.
"""

from typing import Any, Final

import pytest
from custom_components.stillwell.engine.membrane import MembraneState
from custom_components.stillwell.engine.refill_run import RefillRun, Sight, reading_error_l
from custom_components.stillwell.engine.rodi_unit import RodiUnit, UnitSpec, UnitView
from custom_components.stillwell.engine.validity import InputError
from custom_components.stillwell.engine.water_events import Fill

DIVISORS: Final = {10.0: 1.711, 15.0: 1.422, 20.0: 1.189}
STAGES: Final[dict[str, float | None]] = {
    "sediment": 1000.0, "carbon": None, "membrane": None, "resin": 200.0,
}  # fmt: skip
HOUR_S: Final = 3600.0
RATED_L_PER_DAY: Final = 240.0


class Bench:
    """A unit, and refills that are handed to it as an adapter would."""

    def __init__(self, **changes: Any) -> None:
        spec = {"waste_per_product": 4.0, "stages": STAGES} | changes
        self.unit = RodiUnit(UnitSpec(**spec), 0.0)
        self.t_s = HOUR_S
        self.view: UnitView = self.unit.view
        self.only_line = True
        self.error_l: float | None = 0.1

    def look(self, started_s: float | None, fill: Fill | None = None, **seen: Any) -> None:
        """Look once, then let half a minute pass."""
        sight = Sight(started_s, **{"is_plain": True, "is_tripped": False, "is_alone": True} | seen)
        self.view = self.unit.take(
            self.t_s, sight, fill, error_l=self.error_l, only_line=self.only_line
        )
        self.t_s += 30.0

    def refill(
        self, litres: float, seconds: float = HOUR_S, *, attended: bool = True, **seen: Any
    ) -> UnitView:
        """Run for a time, then see the refill that came of it; then rest for an hour."""
        started_s = self.t_s
        while self.t_s < started_s + seconds:
            self.look(started_s, **seen)
        ended_s = self.t_s
        self.look(None)
        fill = Fill(started_s - 30.0, ended_s + 15.0, litres, 0.0, attended)
        self.look(None, fill)
        self.t_s += HOUR_S
        return self.view


def test_an_hour_of_ten_litres_is_240_a_day_and_its_water_is_counted() -> None:
    """10 L in 1 h are 240 L/d; at 4 to 1 they send 40 L to the drain and 50 L through the
    membrane, and only the product through the resin."""
    bench = Bench()
    view = bench.refill(10.0)
    assert view.production_l_per_day == pytest.approx(240.0, rel=1e-6)
    assert view.normalised_l_per_day is None
    assert view.wasted_l == pytest.approx(40.0)
    assert view.passed_l == pytest.approx(
        {"sediment": 50.0, "carbon": 50.0, "membrane": 50.0, "resin": 10.0}
    )
    assert view.state is MembraneState.LEARNING
    assert view.baseline_frac is None
    assert view.refused is None


@pytest.mark.parametrize("temp_c", DIVISORS)
def test_cold_water_is_taken_out(temp_c: float) -> None:
    bench = Bench(by_temperature=True)
    litres = 10.0 / DIVISORS[temp_c]
    view = bench.refill(litres, temp_c=temp_c)
    assert view.production_l_per_day == pytest.approx(240.0 / DIVISORS[temp_c], rel=1e-6)
    # Half of the last printed digit of the least divisor.
    assert view.normalised_l_per_day == pytest.approx(240.0, rel=5e-4)


def test_a_cold_season_is_no_loss_and_a_clogged_filter_is() -> None:
    bench = Bench(by_temperature=True)
    for temp_c in (20.0, 20.0, 20.0, 15.0, 15.0, 10.0, 10.0, 10.0):
        view = bench.refill(10.0 / DIVISORS[temp_c], temp_c=temp_c)
    assert view.state is MembraneState.NORMAL
    assert view.baseline_frac == pytest.approx(1.0, abs=1e-3)
    for _ in range(3):
        view = bench.refill(8.0 / DIVISORS[10.0], temp_c=10.0)
    assert view.state is MembraneState.PRODUCTION_FALLING
    assert view.baseline_frac == pytest.approx(0.8, abs=1e-3)
    bench.unit.changed("sediment")
    bench.look(None)
    assert bench.view.state is MembraneState.LEARNING
    assert bench.view.passed_l["sediment"] == 0.0
    # Five times the product: 30/1.189 + 20/1.422 + 30/1.711 and 24/1.711 L.
    assert bench.view.passed_l["membrane"] == pytest.approx(354.3, abs=0.1)


@pytest.mark.parametrize(
    ("temp_c", "feed_bar", "solids", "l_per_day"),
    [(15.0, 4.14, 250.0, 199.755), (10.0, 3.0, 300.0, 116.427), (20.0, 5.5, 150.0, 325.854)],
)
def test_temperature_and_pressure_worked_with_d4516(
    temp_c: float, feed_bar: float, solids: float, l_per_day: float
) -> None:
    """284 L/d at 25 degC, 4.14 bar, 250 mg/L and a recovery of 0.2, worked by hand."""
    bench = Bench(by_temperature=True, by_pressure=True)
    view = bench.refill(
        l_per_day / 24.0, temp_c=temp_c, feed_bar=feed_bar, feed_mg_per_l=solids,
        product_mg_per_l=solids / 50.0,
    )  # fmt: skip
    assert view.normalised_l_per_day == pytest.approx(284.0, rel=1e-4)
    # 300 to 6 mg/L is 98 %.
    assert view.rejection_frac == pytest.approx(0.98)


def test_pressure_alone_is_compared_but_not_shown_as_of_25_degrees() -> None:
    bench = Bench(by_pressure=True)
    for _ in range(5):
        view = bench.refill(10.0, feed_bar=4.14)
    # Without the feed's own solids those of the rating are taken: 0.207 bar off both.
    low = 10.0 * (3.0 - 0.1922) / (4.14 - 0.1922)
    for _ in range(3):
        view = bench.refill(low, feed_bar=3.0)
    assert view.normalised_l_per_day is None
    assert view.baseline_frac == pytest.approx(1.0, abs=2e-3)


def test_the_first_minutes_after_standing_say_nothing_of_the_purity() -> None:
    """An idle membrane lets salt through; 60 of 300 mg/L for the first four minutes."""
    bench = Bench()
    started_s = bench.t_s
    while bench.t_s < started_s + HOUR_S:
        product = 60.0 if bench.t_s < started_s + 240.0 else 6.0
        bench.look(started_s, feed_mg_per_l=300.0, product_mg_per_l=product)
    bench.look(None)
    bench.look(None, Fill(started_s, bench.t_s, 10.0, 0.0, attended_by_device=True))
    assert bench.view.rejection_frac == pytest.approx(0.98, abs=1e-9)


@pytest.mark.parametrize(
    ("seen", "seconds"),
    [({"is_plain": False}, HOUR_S), ({"is_tripped": True}, HOUR_S), ({"is_alone": True}, 600.0)],
    ids=["by hand or a bad level", "locked out", "too short"],
)
def test_a_run_that_proves_nothing_still_passes_water(seen: dict[str, Any], seconds: float) -> None:
    bench = Bench()
    view = bench.refill(10.0, seconds, **seen)
    assert view.production_l_per_day is None
    assert view.passed_l["resin"] == pytest.approx(10.0)


@pytest.mark.parametrize("error_l", [None, 0.6])
def test_a_level_too_coarse_for_the_litres_proves_nothing(error_l: float | None) -> None:
    bench = Bench()
    bench.error_l = error_l
    view = bench.refill(10.0)
    assert view.production_l_per_day is None
    assert view.passed_l["resin"] == pytest.approx(10.0)


def test_a_trip_seen_only_after_the_run_spoils_it_too() -> None:
    bench = Bench()
    started_s = bench.t_s
    while bench.t_s < started_s + HOUR_S:
        bench.look(started_s)
    bench.look(None, is_tripped=True)
    bench.look(None, Fill(started_s, bench.t_s, 10.0, 0.0, attended_by_device=True))
    assert bench.view.production_l_per_day is None


def test_water_of_another_line_is_not_this_unit_s() -> None:
    bench = Bench()
    bench.only_line = False
    assert bench.refill(10.0, is_alone=False).wasted_l == 0.0
    view = bench.refill(10.0)
    assert view.wasted_l == pytest.approx(40.0)
    # A refill without a run of ours came through the other line.
    started_s = bench.t_s
    bench.t_s += HOUR_S
    bench.look(None, Fill(started_s, bench.t_s, 10.0, 0.0, attended_by_device=True))
    assert bench.view.wasted_l == pytest.approx(40.0)


def test_a_bucket_passes_no_stage() -> None:
    bench = Bench()
    assert bench.refill(10.0, attended=False).wasted_l == 0.0
    assert bench.refill(0.0).wasted_l == 0.0


def test_a_refill_across_a_restart_is_counted_but_proves_nothing() -> None:
    bench = Bench()
    bench.look(None, Fill(10.0, 3000.0, 10.0, 0.0, attended_by_device=True))
    assert bench.view.passed_l["resin"] == pytest.approx(10.0)
    assert bench.view.production_l_per_day is None
    bench.look(None, Fill(10.0, 3000.0, 10.0, 0.0, attended_by_device=True))
    assert bench.view.passed_l["resin"] == pytest.approx(10.0)


def test_after_a_clock_that_was_set_back_refills_still_count() -> None:
    bench = Bench()
    bench.refill(10.0)
    bench.t_s -= 12 * HOUR_S
    bench.look(None)
    assert bench.refill(10.0).passed_l["resin"] == pytest.approx(20.0)


@pytest.mark.parametrize("missing", ["temp_c", "feed_bar"])
def test_a_reading_that_is_missing_is_not_replaced_by_a_guess(missing: str) -> None:
    bench = Bench(by_temperature=True, by_pressure=True)
    seen = {"temp_c": 20.0, "feed_bar": 4.0}
    del seen[missing]
    view = bench.refill(10.0, **seen)
    assert view.production_l_per_day == pytest.approx(240.0, rel=1e-6)
    assert view.normalised_l_per_day is None
    assert bench.unit.snapshot()["membrane"]["runs"] == []


def test_fahrenheit_under_a_wrong_name_is_refused() -> None:
    bench = Bench(by_temperature=True)
    view = bench.refill(10.0, temp_c=68.0)
    assert view.normalised_l_per_day is None
    assert "looks like degF: 20 degC" in (view.refused or "")
    assert bench.refill(10.0, temp_c=20.0).refused is None


def test_a_stage_is_due_when_it_has_passed_its_rating() -> None:
    """200 L through the resin; the sediment filter has passed five times that."""
    bench = Bench()
    for _ in range(20):
        view = bench.refill(10.0)
    assert view.overdue == ()
    view = bench.refill(0.5)
    assert view.overdue == ("sediment", "resin")
    bench.unit.changed("resin")
    assert bench.unit.view.overdue == ("sediment",)


def test_the_error_of_a_reading_is_noise_and_rounding() -> None:
    """A step q adds q / sqrt(12): 1 mm gives 0.2887 mm; with 0.3 of noise 0.4163."""
    assert reading_error_l(None, None) is None
    assert reading_error_l(None, 1.0) == pytest.approx(0.2887, abs=5e-5)
    assert reading_error_l(0.3, None) == pytest.approx(0.3)
    assert reading_error_l(0.3, 1.0) == pytest.approx(0.4163, abs=5e-5)


def test_a_look_that_comes_too_soon_after_another_weighs_nothing() -> None:
    run = RefillRun(0.0)
    for t_s, temp_c in ((0.0, 10.0), (1.0, 30.0)):
        sight = Sight(0.0, is_plain=True, is_tripped=False, is_alone=True, temp_c=temp_c)
        run.look(t_s, sight)
    assert run.temp_c == 10.0
    assert run.production_l_per_day(10.0, 0.1) is None  # not over yet
    assert run.is_of(-30.0, 10.0)


def test_memory_and_another_basis() -> None:
    bench = Bench(by_temperature=True)
    for _ in range(6):
        bench.refill(10.0, temp_c=25.0, feed_mg_per_l=300.0, product_mg_per_l=6.0)
    stored = bench.unit.snapshot()
    again = Bench(by_temperature=True)
    again.unit.restore(stored)
    assert again.unit.snapshot() == stored
    assert again.unit.view == bench.unit.view
    # Without the thermometer productions are not corrected: the trend begins anew, the water stays.
    other = Bench(stages={"membrane": None, "carbon": None})
    other.unit.restore(stored)
    view = other.unit.view
    assert (view.state, view.normalised_l_per_day) == (MembraneState.LEARNING, None)
    assert view.production_l_per_day == pytest.approx(240.0, rel=1e-6)
    assert view.passed_l == pytest.approx({"membrane": 300.0, "carbon": 300.0})


@pytest.mark.parametrize(
    "broken", [{"membrane": None}, {"wasted_l": -1.0}, {"counted_s": "x"}, {"rejection_frac": "x"}]
)
def test_a_damaged_snapshot_is_refused(broken: dict[str, Any]) -> None:
    unit = Bench().unit
    with pytest.raises(ValueError, match=r"unit|volume|number"):
        unit.restore(unit.snapshot() | broken)


@pytest.mark.parametrize(
    "changes",
    [{"waste_per_product": 0.0}, {"stages": {"resin": 0.0}}, {"stages": {"tap": None}}],
    ids=str,
)
def test_a_unit_that_cannot_be_is_refused(changes: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"ratio|waste|rated|tap"):
        Bench(**changes)
    assert issubclass(InputError, ValueError)
