"""The sequence of a water change, its refusals, and its salinity by gsw's masses."""

import json
from dataclasses import replace

import gsw
import pytest
from custom_components.stillwell.engine.salt_mass import Water
from custom_components.stillwell.engine.validity import InputError
from custom_components.stillwell.engine.water_change import (
    Change,
    Outcome,
    Plan,
    Refusal,
    Step,
    Stop,
    largest_l,
    refusals,
    salinity_after,
    usual_l,
)

PLAN = Plan(30.0, Water(300.0, 33.0), 40.0, 60.0, 34.5, 25.0)


def test_nothing_speaks_against_it() -> None:
    assert refusals(PLAN) == []


@pytest.mark.parametrize(
    ("change", "refusal"),
    [
        ({"change_l": 151.0, "sump_l": 200.0, "vat_l": 200.0}, Refusal.TOO_MUCH),
        ({"vat_l": None}, Refusal.VAT_UNKNOWN),
        ({"vat_l": 30.1}, Refusal.VAT_HOLDS_TOO_LITTLE),
        ({"vat_salinity": None}, Refusal.SALINITY_UNKNOWN),
        ({"vat_salinity": 36.0}, Refusal.SALINITY_OFF),
        ({"vat_temp_c": 18.0}, Refusal.TEMPERATURE_OFF),
        ({"vat_temp_c": 85.0}, Refusal.TEMPERATURE_OFF),
        ({"tank_temp_c": -127.0}, Refusal.TEMPERATURE_OFF),
        ({"sump_l": 29.0}, Refusal.SUMP_TOO_LOW),
    ],
)
def test_each_refusal(change: dict[str, float | None], refusal: Refusal) -> None:
    assert refusals(replace(PLAN, **change)) == [refusal]


def test_salinity_after_a_change() -> None:
    """270 L at 33 and 30 L at 40, by gsw's densities: 3e-5 between them is 1e-3 PSU."""

    def mass(litres: float, psu: float) -> float:
        return litres * float(gsw.rho_t_exact(psu * 35.16504 / 35.0, 25.0, 0.0))

    old, new = mass(270.0, 33.0), mass(30.0, 40.0)
    expected = (33.0 * old + 40.0 * new) / (old + new)
    found = salinity_after(replace(PLAN, vat_salinity=40.0))
    assert found == pytest.approx(expected, abs=1e-3)
    assert salinity_after(replace(PLAN, vat_salinity=40.0, vat_temp_c=None)) == pytest.approx(found)
    # A thermometer that reads what no water has does not take the figure away.
    assert salinity_after(replace(PLAN, vat_salinity=40.0, vat_temp_c=85.0)) == pytest.approx(found)
    assert salinity_after(replace(PLAN, vat_salinity=None)) is None


def test_without_a_reading_nobody_knows_what_a_change_makes() -> None:
    """What is wanted is no measurement; the vat is still held against it."""
    lost = replace(PLAN, is_salinity_lost=True)
    assert PLAN.salinity_now == 33.0
    assert lost.salinity_now is None
    assert salinity_after(lost) is None
    assert refusals(lost) == []
    assert refusals(replace(lost, vat_salinity=36.0)) == [Refusal.SALINITY_OFF]


def test_drained_first_then_the_same_is_brought_back() -> None:
    change = Change(PLAN, 0.0, 40.0)
    assert change.may_drain
    assert not change.may_refill
    change = change.after(600.0, 25.0)
    assert change.drained_l == pytest.approx(15.0)
    change = change.after(1200.0, 9.5)  # half a litre more than wanted ran out
    assert change.step is Step.REFILL
    assert change.may_refill
    assert not change.may_drain
    change = change.after(2400.0, 39.6)
    assert change.step is Step.REFILL
    change = change.after(2460.0, 40.0)
    assert change.step is Step.DONE
    assert change.refilled_l == pytest.approx(30.5)
    assert change.after(9999.0, None) is change
    assert change.aborted() is change


def test_whatever_is_wrong_ends_it_with_both_lines_shut() -> None:
    change = Change(PLAN, 100.0, 40.0)
    for after, why in (
        (change.after(200.0, None), Stop.LEVEL_LOST),
        (change.after(200.0, 39.0, Stop.LINE_TRIPPED), Stop.LINE_TRIPPED),
        (change.after(200.0, None, Stop.RETURN_PUMP), Stop.RETURN_PUMP),
        (change.after(7301.0, 39.0), Stop.TOOK_TOO_LONG),
        (change.after(50.0, 39.0), Stop.TOOK_TOO_LONG),
        (change.aborted(), Stop.ABORTED_BY_HAND),
    ):
        assert (after.step, after.stop) == (Step.ABORTED, why)
        assert not after.may_drain
        assert not after.may_refill
        assert after.after(300.0, 9.0) is after


def test_what_must_outlive_the_hub() -> None:
    change = Change(PLAN, 0.0, 40.0).after(600.0, 25.0)
    kept = Outcome.from_dict(json.loads(json.dumps(change.outcome.to_dict())))
    assert kept == Outcome(Step.DRAIN, Stop.NONE, 15.0, 0.0)
    assert kept.is_under_way
    assert not kept.is_short
    ended = kept.interrupted()
    assert (ended.step, ended.stop) == (Step.ABORTED, Stop.INTERRUPTED)
    assert ended.missing_l == pytest.approx(15.0)
    assert ended.is_short
    assert ended.interrupted() is ended
    assert not replace(ended, refilled_l=14.6).is_short
    assert Outcome(Step.DRAIN, drained_l=0.5).has_moved_since(Outcome(Step.DRAIN))
    assert not Outcome(Step.DRAIN, drained_l=0.4).has_moved_since(Outcome(Step.DRAIN))
    assert Outcome(Step.REFILL, Stop.NONE, 9.0, 5.0).has_moved_since(
        Outcome(Step.REFILL, Stop.NONE, 9.0, 4.4)
    )
    assert Outcome(Step.DRAIN).has_moved_since(None)
    assert Outcome.damaged().is_short
    good = ended.to_dict()
    for wrong in (
        {},
        good | {"step": "pour"},
        good | {"stop": None},
        good | {"drained_l": "much"},
        good | {"refilled_l": -1.0},
    ):
        with pytest.raises(ValueError):  # noqa: PT011 - whatever it says
            Outcome.from_dict(wrong)


def test_how_much_may_be_changed() -> None:
    assert largest_l(450.0, 0.2) == pytest.approx(90.0)
    assert usual_l(450.0, 90.0) == pytest.approx(45.0)
    assert usual_l(450.0, 9.0) == pytest.approx(9.0)
    with pytest.raises(InputError):
        largest_l(0.0, 0.2)


def test_a_plan_without_volume_is_refused() -> None:
    for change in ({"change_l": 0.0}, {"longest_step_s": 0.0}):
        with pytest.raises(InputError):
            replace(PLAN, **change)
