"""The daily report of a system: facts of its vessels, lines and watches, in the hub's language."""

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

from homeassistant.components.binary_sensor import BinarySensorDeviceClass, BinarySensorEntity
from homeassistant.const import UnitOfTemperature, UnitOfVolume
from homeassistant.core import HomeAssistant
from homeassistant.util import dt as dt_util
from homeassistant.util.json import JsonValueType
from homeassistant.util.unit_conversion import TemperatureConverter, VolumeConverter

from .answers import Answers
from .const import SUBENTRY_RESERVOIR, SUBENTRY_SUMP
from .decision_text import reason_text
from .engine.daily_report import Line, Topic, merged, report
from .engine.quantities import Status
from .form_units import FormUnits

if TYPE_CHECKING:
    from .coordinator import System
    from .fill_line import FillLine
    from .owner import EntityOwner
    from .vessel import VesselRuntime

WEEK_S: Final = timedelta(days=7).total_seconds()
VOLUMES: Final = {"litres": "volume", "expected_litres": "expected"}
NO_ALARMS: Final = frozenset({"stage_due", "dose_paused"})
"""Problems that a watch tells itself, as work to be done or beside the dose."""
DOSES: Final = (Topic.DOSE, Topic.DOSE_HELD)
SMALL_VOLUMES: Final = {
    UnitOfVolume.LITERS: (UnitOfVolume.MILLILITERS, 0),
    UnitOfVolume.GALLONS: (UnitOfVolume.FLUID_OUNCES, 1),
}
TEMPERATURES: Final = {"lowest_c": "lowest", "highest_c": "highest"}


async def async_report(hass: HomeAssistant, system: System) -> dict[str, JsonValueType]:
    """Return the lines of a system with topic, text and numbers (SI), and one text of them all."""
    answers = await Answers.of(hass, None)
    now = dt_util.now()
    facts = merged(_parts(answers, system, now))
    lines = [(line, _text(hass, answers, line)) for line in report(facts)]
    told = [text for _, text in lines]
    if not (facts.alarms or facts.tests_due or facts.hands_needed):
        told.insert(0, answers.text("report_quiet" if told else "report_nothing"))
    name = system.entry.title
    return {
        "system": name,
        "lines": [
            {"topic": line.topic.value, "text": text, "numbers": _rounded(line.numbers)}
            for line, text in lines
        ],
        "text": "\n".join([answers.text("report_title", system=name), *told]),
    }


def _rounded(numbers: Mapping[str, float]) -> dict[str, JsonValueType]:
    return {key: round(value, 3) for key, value in numbers.items()}


# Facts


def _parts(answers: Answers, system: System, now: datetime) -> Iterator[Mapping[str, Any]]:
    for line in system.lines.values():
        yield _of_line(answers, line, now)
    for vessel in system.vessels.values():
        yield _of_vessel(answers, vessel, now)
    for watch in system.watches.values():
        yield {"alarms": _problems(watch)}
        yield watch.report()


def _problems(owner: EntityOwner) -> list[str]:
    """Return what its entities show as problems; work to be done is no alarm."""
    return [
        f"{owner.title}: {entity.name}"
        for entity in owner.shown
        if isinstance(entity, BinarySensorEntity)
        and entity.is_on
        and entity.device_class is BinarySensorDeviceClass.PROBLEM
        and entity.entity_description.key not in NO_ALARMS
    ]


def _of_vessel(answers: Answers, vessel: VesselRuntime, now: datetime) -> Mapping[str, Any]:
    view = vessel.view
    facts: dict[str, Any] = {"alarms": _problems(vessel)}
    if view.status is Status.FAILURE:
        facts["alarms"].append(answers.level_unknown(vessel))
    if _is_last_before_the_tank(vessel):
        facts["used_l"] = view.use_l_per_day
    due = view.start_at
    if not vessel.lines and due is not None and due.likely < now.timestamp() + WEEK_S:
        text = answers.text(
            "report_fill", vessel=vessel.title, moment=answers.moment(now, due.likely)
        )
        facts["hands_needed"] = [text]
    return facts


def _is_last_before_the_tank(vessel: VesselRuntime) -> bool:
    """Whether what leaves it goes to the tank: of two reservoirs in a row only the last counts."""
    onward = [line.destination.kind for line in vessel.draws]
    return vessel.kind == SUBENTRY_RESERVOIR and SUBENTRY_RESERVOIR not in onward


def _of_line(answers: Answers, line: FillLine, now: datetime) -> Mapping[str, Any]:
    hass, trip = line.hass, line.watch.state.trip
    facts: dict[str, Any] = {"alarms": [], "tests_due": [], "hands_needed": []}
    if trip is not None:
        text = answers.text(
            "report_locked_out", line=line.title, reason=reason_text(hass, trip.reason.value)
        )
        facts["alarms"].append(text)
    if line.watch.guard_settings.rehearsal:
        facts["hands_needed"].append(answers.text("report_rehearsal", line=line.title))
    now_s = now.timestamp()
    for test in line.proof_tests.tests.values():
        if test.due_s < now_s + WEEK_S:
            is_late = test.due_s <= now_s
            moment = "" if is_late else answers.moment(now, test.due_s)
            key = "report_test_late" if is_late else "report_test_by"
            facts["tests_due"].append(answers.text(key, input=test.name, moment=moment))
    # Water from outside, into the tank or what feeds it: one vessel into the next adds nothing.
    if line.source is None and line.destination.kind in (SUBENTRY_RESERVOIR, SUBENTRY_SUMP):
        facts["added_l"] = line.spent[1]
    return facts


# Words


def _text(hass: HomeAssistant, answers: Answers, line: Line) -> str:
    given = {"subject": line.subject or ""}
    unit = hass.config.units.temperature_unit
    for key, value in line.numbers.items():
        if line.topic in DOSES:
            small, digits = SMALL_VOLUMES[FormUnits.of(hass).volume]
            dose = VolumeConverter.convert(value, UnitOfVolume.LITERS, small)
            given["dose"] = answers.written(f"{dose:.{digits}f} {small}")
        elif key in VOLUMES:
            given[VOLUMES[key]] = answers.volume(value)
        elif key in TEMPERATURES:
            shown = TemperatureConverter.convert(value, UnitOfTemperature.CELSIUS, unit)
            given[TEMPERATURES[key]] = answers.written(f"{shown:.1f} {unit}")
        elif line.topic is Topic.MORE:
            given["number"] = f"{value:.0f}"
        else:
            sign = "+" if key == "psu_per_day" else ""
            given[key] = answers.written(f"{value:{sign}.1f}")
    return answers.text(f"report_{line.topic.value}", **given)
