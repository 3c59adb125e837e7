"""Answers in sentences: how long the water lasts, how much there is, what is locked out.

They only read. What is not known is said to be not known, with the reason.
"""

from collections.abc import Callable
from datetime import datetime
from typing import Final, Self

from homeassistant.const import UnitOfVolume
from homeassistant.core import HomeAssistant
from homeassistant.helpers.translation import async_get_translations
from homeassistant.util import dt as dt_util
from homeassistant.util.unit_conversion import VolumeConverter

from .const import DOMAIN
from .decision_text import CATEGORIES, GROUP_KEY, MARK_KEY, REASONS, marked
from .engine.balance import Flow
from .engine.quantities import DAY_S, HOUR_S, MINUTE_S, Reason
from .fill_line import FillLine
from .form_units import FormUnits
from .questions import base_language
from .spoken_names import spoken_name
from .targets import Target
from .vessel import VesselRuntime

WEEK_DAYS: Final = 7
VOLUME_WORDS: Final = {UnitOfVolume.LITERS: "litre", UnitOfVolume.GALLONS: "gallon"}
TIME_WORDS: Final = (("time_days", DAY_S), ("time_hours", HOUR_S), ("time_minutes", MINUTE_S))
ONE_BELOW_TWO: Final = frozenset({"fr"})
"""Languages that say one of anything below two; in the others it is for exactly one (CLDR)."""
SIGNAL_REASON: Final = "entity.sensor.signal_reason.state.{}"


def _number(value: float) -> str:
    """Return a number with three figures at most, as one says it."""
    return f"{value:.0f}" if value >= 100 or round(value, 1).is_integer() else f"{value:.1f}"  # noqa: PLR2004


def _vessel_of(target: Target) -> VesselRuntime:
    return target.destination if isinstance(target, FillLine) else target


class Answers:
    """Answers in one language."""

    def __init__(self, hass: HomeAssistant, language: str, texts: dict[str, str]) -> None:
        """Take the language and its texts."""
        self._hass = hass
        self._language = language
        self._texts = texts

    @classmethod
    async def of(cls, hass: HomeAssistant, language: str | None) -> Self:
        """Return answers in a language; in English where there are none in it."""
        base = base_language(language or hass.config.language)
        texts: dict[str, str] = {}
        for category in CATEGORIES:
            texts |= await async_get_translations(hass, base, category, [DOMAIN])
        return cls(hass, base, texts)

    def text(self, key: str, **given: str) -> str:
        """Return a sentence."""
        return self._texts[f"component.{DOMAIN}.common.{key}"].format(**given)

    def written(self, number: str) -> str:
        """Return a number with the marks of the language."""
        return marked(number, self.text(MARK_KEY), self.text(GROUP_KEY))

    def _word(self, key: str, *paths: str) -> str:
        found = (self._texts.get(f"component.{DOMAIN}.{path.format(key)}") for path in paths)
        return next((text for text in found if text), key)

    # The questions

    def time_left(self, target: Target) -> str:
        """Say how long the usable water of a vessel lasts."""
        vessel = _vessel_of(target)
        view, name = vessel.view, spoken_name(self._hass, vessel)
        if view.volume_l is None:
            return self.level_unknown(vessel)
        if view.usable_l is not None and view.usable_l <= 0:
            return self._with_notes(vessel, self.text("answer_empty", vessel=name))
        if (empty_at := view.empty_at) is None:
            key = "answer_use_unknown" if view.use_l_per_day is None else "answer_lasts_long"
            return self._with_notes(vessel, self.text(key, vessel=name))
        now = dt_util.now()
        told = self.text(
            "answer_lasts",
            vessel=name,
            time=self._time(empty_at.likely - now.timestamp()),
            likely=self.moment(now, empty_at.likely),
            early=self.moment(now, empty_at.early),
            late=self.moment(now, empty_at.late),
        )
        return self._with_notes(vessel, told)

    def amount(self, target: Target) -> str:
        """Say how much water is in a vessel."""
        vessel = _vessel_of(target)
        view = vessel.view
        if view.volume_l is None or view.fill_frac is None or view.usable_l is None:
            return self.level_unknown(vessel)
        told = self.text(
            "answer_amount",
            vessel=spoken_name(self._hass, vessel),
            volume=self.volume(view.volume_l),
            percent=f"{100 * view.fill_frac:.0f}",
            usable=self.volume(max(0.0, view.usable_l)),
        )
        return self._with_notes(vessel, told)

    def lockout(self, target: Target) -> str:
        """Say whether a line, or each line that fills a vessel, is locked out, and why."""
        lines = [target] if isinstance(target, FillLine) else target.lines
        if not lines:
            return self.text("answer_no_line", vessel=spoken_name(self._hass, target))
        return " ".join(self._lockout(line) for line in lines)

    def _lockout(self, line: FillLine) -> str:
        watch, name = line.watch, spoken_name(self._hass, line)
        if (trip := watch.state.trip) is not None:
            return self.text(
                "answer_locked_out",
                line=name,
                since=self.moment(dt_util.now(), trip.since_s),
                reason=self._word(trip.reason.value, *REASONS),
            )
        told = self.text("answer_not_locked_out", line=name)
        if watch.is_permitted or watch.block_reason is None:
            return told
        waits = self.text("answer_waits", reason=self._word(watch.block_reason, *REASONS))
        return f"{told} {waits}"

    # Parts of sentences

    def level_unknown(self, vessel: VesselRuntime) -> str:
        """Say that the level is not known, and why."""
        # Without a level no reason would mean only that none has been judged yet.
        reason = {Reason.NONE: Reason.STARTING}.get(vessel.view.reason, vessel.view.reason)
        if self._hass.states.get(vessel.settings.source) is None:
            reason = Reason.NO_SOURCE
        return self.text(
            "answer_level_unknown",
            vessel=spoken_name(self._hass, vessel),
            reason=self._word(reason.value, SIGNAL_REASON),
        )

    def _with_notes(self, vessel: VesselRuntime, told: str) -> str:
        view = vessel.view
        if view.flow is Flow.FILLING:
            told += " " + self.text("answer_filling")
        if view.held_s >= MINUTE_S:
            told += " " + self.text("answer_held", time=self._time(view.held_s))
        return told

    def volume(self, litres: float) -> str:
        """Return a volume in the hub's unit, in words."""
        unit = FormUnits.of(self._hass).volume
        shown = _number(VolumeConverter.convert(litres, UnitOfVolume.LITERS, unit))
        is_one = float(shown) < 2.0 if self._language in ONE_BELOW_TWO else shown == "1"  # noqa: PLR2004
        key = f"volume_{VOLUME_WORDS[unit]}" + ("" if is_one else "s")
        return self.text(key, number=self.written(shown))

    def _time(self, seconds: float) -> str:
        for key, unit_s in TIME_WORDS:
            if seconds >= 2 * unit_s:
                return self.text(key, number=self.written(_number(seconds / unit_s)))
        return self.text("time_few_minutes")

    def moment(self, now: datetime, moment_s: float) -> str:
        """Return a local moment: a day of the week within six days of now, else the date."""
        moment = dt_util.as_local(dt_util.utc_from_timestamp(moment_s))
        days = abs((moment.date() - now.date()).days)
        if days == 0:
            return self.text("moment_today", time=f"{moment:%H:%M}")
        if days >= WEEK_DAYS:
            return self.text("moment_date", date=moment.date().isoformat())
        day = self.text(f"day_{moment.isoweekday()}")
        return self.text("moment_day", day=day, time=f"{moment:%H:%M}")


type Question = Callable[[Answers, Target], str]

QUESTIONS: Final[dict[str, Question]] = {
    "time_left": Answers.time_left,
    "amount": Answers.amount,
    "lockout": Answers.lockout,
}
"""What can be asked."""
