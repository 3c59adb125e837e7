"""One vessel from report to view: joins conditioning, geometry, balance, forecast and loss test.

The composer holds no formula of its own; it decides only what is passed on and what may be
shown. Nothing here reads a clock: every call brings its time.
"""

from collections import deque
from dataclasses import dataclass
from typing import Any, Final

from .balance import Balance, BalanceSettings, Event, Fill, Flow
from .burst import BurstWatch
from .conditioning import Conditioner, ConditioningSettings, Verdict
from .evaporation_demand import Explained
from .forecast import Forecaster, Outlook
from .geometry import Vessel
from .guard_events import LevelReported
from .ledger import DayUse
from .loss import LossTest, LossVerdict
from .probe_temperature import ProbeTemperature
from .quantities import (
    DAY_S,
    HOUR_S,
    MINUTE_S,
    DaySpan,
    Interval,
    Reading,
    Reason,
    Status,
    UseBlock,
)
from .samples import Samples

SNAPSHOT_VERSION: Final = 1

EVENTS_KEPT: Final = 50
WEEK_S: Final = 7 * DAY_S
RECENT_KEPT: Final = 32

LEVEL_HOLD_S: Final = 10 * MINUTE_S
"""How long a level is still shown after its last valid reading."""

ESTIMATE_HOLD_S: Final = 2 * DAY_S
"""How long use and forecast are still shown without a valid reading: they change slowly."""

CARRY_EVERY_S: Final = 5 * MINUTE_S
"""How often use is carried on between the reports of a good signal: a look costs, and shows
nothing new."""
LOOK_EVERY_S: Final = 50.0
LOOK_WHILE_FAR_S: Final = 2.8 * MINUTE_S
"""How often readings are looked at for a steady fall, and how often while there is none near: a
look costs more than all the rest of a report."""
VIEW_FOR_S: Final = 3 * MINUTE_S
VIEW_WITHIN_FRAC: Final = 0.0002
"""For how long, and while the volume has moved by less than this share of the capacity, a view
of falling water says what another one would."""


@dataclass(frozen=True, slots=True)
class VesselSpec:
    """What the keeper said about a vessel: its shape and its marks, as depths."""

    shape: Vessel
    empty_m: float
    start_m: float
    full_m: float
    high_m: float
    zero_is_suspect: bool = True
    stale_after_s: float | None = None


@dataclass(frozen=True, slots=True)
class VesselView:
    """All that may be shown of a vessel at one moment; None means not known."""

    t_s: float
    status: Status
    reason: Reason
    held_s: float
    """Seconds since the last valid reading; 0 when the present one is valid."""
    volume_l: float | None
    fill_frac: float | None
    usable_l: float | None
    use_l_per_day: float | None
    use_sigma_l_per_day: float | None
    use_week_l_per_day: float | None
    use_week_sigma_l_per_day: float | None
    empty_at: Interval | None
    start_at: Interval | None
    full_at_s: float | None
    fill_rate_l_per_s: float | None
    flow: Flow
    last_fill: Fill | None
    total_used_l: float | None
    today: DayUse | None
    loss: LossVerdict | None
    rejected_count: int
    interval_s: float | None
    probe_drift_m_per_k: tuple[float, float] | None
    """What a kelvin adds to a reading, and one standard deviation of it."""


class VesselModel:
    """The learned state of one vessel and the way a report takes through it."""

    __slots__ = (
        "_accepted_m",
        "_balance",
        "_burst",
        "_check",
        "_conditioner",
        "_explained",
        "_forecaster",
        "_full_l",
        "_good_s",
        "_looked_s",
        "_loss",
        "_loss_verdict",
        "_probe",
        "_same_until_s",
        "_shape",
        "_start_l",
        "_temp_c",
        "_verdict",
        "_worth_l",
        "_zero_l",
        "events",
        "recent",
        "spec",
    )

    def __init__(self, spec: VesselSpec) -> None:
        self.spec = spec
        self._shape = spec.shape
        self._zero_l = spec.shape.volume_l(spec.empty_m)
        self._start_l = spec.shape.volume_l(spec.start_m)
        self._full_l = spec.shape.volume_l(spec.full_m)
        self._conditioner = self._new_conditioner()
        self._balance = Balance(BalanceSettings(capacity_l=spec.shape.capacity_l))
        self._forecaster = Forecaster()
        self._loss = LossTest()
        self._loss_verdict: LossVerdict | None = None
        self._worth_l: float | None = None  # worked out once a block
        self._looked_s = float("-inf")
        self._explained = Explained()
        self._burst = BurstWatch()
        self._probe = ProbeTemperature()
        self._temp_c: float | None = None
        self._verdict: Verdict | None = None
        self._accepted_m: float | None = None
        self._check: Reason | None = None
        self._good_s: float | None = None  # what recorded history ended with
        self._same_until_s: float | None = None  # worked out at the first tick after a report
        self.events: deque[Event] = deque(maxlen=EVENTS_KEPT)
        self.recent = Samples(RECENT_KEPT)
        """The last accepted readings: time and depth (s, m)."""

    def _new_conditioner(self) -> Conditioner:
        spec = self.spec
        return Conditioner(
            ConditioningSettings(
                height_m=spec.shape.height_m,
                zero_is_suspect=spec.zero_is_suspect,
                stale_after_s=spec.stale_after_s,
            )
        )

    @property
    def balance(self) -> Balance:
        """Level, use and fills."""
        return self._balance

    @property
    def conditioner(self) -> Conditioner:
        """What is known of the signal itself."""
        return self._conditioner

    @property
    def verdict(self) -> Verdict | None:
        """The judgement of the newest report or tick."""
        return self._verdict

    @property
    def check(self) -> Reason | None:
        """Why nothing is learned of the water now."""
        return self._check

    def set_check(self, reason: Reason | None) -> None:
        """Learn nothing of the water for now, or again: its level moves for a known cause.

        A return pump that stands or has just started moves the level of a sump, and so do the
        hands of a keeper (function check in the words of NE 107). The signal is judged and the
        guard hears it all the same. Use is carried meanwhile, and the level afterwards is
        taken as it is found: what it differs by is neither use nor loss. A fill in progress
        when this begins is not booked as one.
        """
        if reason is None and self._check is not None:
            self._balance.rebased()
            self.recent.clear()
        self._check = reason

    def set_demand(self, ratio: float | None) -> None:
        """Say how much more the air asks for than while the use was learned; None: not known.

        Only what the loss test expects goes by it, and only until an alarm stands. It is not
        kept: whoever knows it says it again.
        """
        self._explained.ratio = ratio

    def report(
        self,
        t_s: float,
        reading: Reading,
        *,
        fill_on: bool | None,
        day: DaySpan,
        utc_offset_s: float,
        temperature_c: float | None = None,
    ) -> Verdict:
        """Take one report of the level source.

        Args:
            t_s: Time of the report.
            reading: The report after unit conversion.
            fill_on: Whether the fill device is on; None when there is none or it is not known.
            day: The local day that holds ``t_s``.
            utc_offset_s: Local time minus UTC, for the day/night pattern.
            temperature_c: Temperature of the probe, if it is known.
        """
        self._temp_c = temperature_c
        verdict = self._conditioner.report(t_s, reading)
        self._take(verdict, fill_on, day, utc_offset_s)
        self._same_until_s = None
        return verdict

    def tick(self, t_s: float, *, day: DaySpan, utc_offset_s: float) -> Verdict:
        """Let time pass without a report: data may grow stale, estimates move on."""
        if self._is_same(t_s) and self._check is None:
            self._verdict = verdict = Verdict(t_s, Status.GOOD, Reason.NONE)
            return verdict
        verdict = self._conditioner.tick(t_s)
        self._take(verdict, None, day, utc_offset_s)
        self._same_until_s = None
        return verdict

    def _is_same(self, t_s: float) -> bool:
        """Whether time alone has changed nothing since the last report, or look at it."""
        if self._same_until_s is None:
            fresh_s, verdict = self._conditioner.fresh_until_s, self._verdict
            if fresh_s is None or verdict is None:
                return False
            self._same_until_s = min(fresh_s, verdict.t_s + CARRY_EVERY_S)
        return t_s < self._same_until_s

    def _take(
        self, verdict: Verdict, fill_on: bool | None, day: DaySpan, utc_offset_s: float
    ) -> None:
        self._verdict = verdict
        shape, balance = self._shape, self._balance
        for t_s, read_m in verdict.accepted:
            # Control goes by what was read; what is learned and shown, by the water itself.
            self._accepted_m = read_m
            depth_m = self._without_drift(t_s, read_m)
            self.recent.append(t_s, depth_m)
            if self._check is not None:
                continue
            balance.add(
                t_s,
                shape.volume_l(depth_m),
                shape.litres_per_m(depth_m),
                self._conditioner.noise_m,
                fill_on=fill_on,
                day=day,
                resolution_m=self._conditioner.resolution_m,
            )
        if by_s := balance.pop_set_by_s():
            self._forecaster.shift(by_s)
            self._loss.shift(by_s)
            self._burst.shift(by_s)
        if not verdict.accepted or self._check is not None:
            is_seen = verdict.status.is_usable and self._check is None
            balance.hold(verdict.t_s, day, is_seen=is_seen)
        else:
            is_draining = balance.flow is Flow.DRAINING
            self._burst.look(
                verdict.t_s,
                [(at_s, shape.volume_l(m)) for at_s, m in self.recent] if is_draining else (),
                shape.capacity_l,
                is_draining=is_draining,
            )
        for block in balance.pop_blocks():
            self._worth_l = None
            self._judge(block, utc_offset_s)
            self._forecaster.add(block, utc_offset_s)
        if verdict.accepted:
            self._look_ahead(verdict.t_s, utc_offset_s)
        self.events.extend(balance.pop_events())

    def _judge(self, block: UseBlock, utc_offset_s: float) -> None:
        """Show the loss test a closed block."""
        expected_l, sigma = self._expected(block, utc_offset_s)
        if not self._loss.is_standing:
            block = self._explained.block(block, expected_l)
        self._loss_verdict = self._loss.add(block, expected_l, sigma, self._balance.course)

    def _look_ahead(self, t_s: float, utc_offset_s: float) -> None:
        """Show the loss test the newest readings, where they have fallen."""
        if self._worth_l is None:
            self._worth_l = self._loss.worth_l
        course = self._balance.fallen_course(self._worth_l)
        every_s = LOOK_EVERY_S if self._loss.is_near else LOOK_WHILE_FAR_S
        if course is None or 0.0 <= t_s - self._looked_s < every_s:
            return
        self._looked_s = t_s
        hour_l = self._forecaster.expected_l(t_s - HOUR_S, t_s, utc_offset_s)
        if hour_l is None:
            return
        found = self._loss.look(course, self._explained.expected_l(hour_l) / HOUR_S)
        if found is not None:
            self._loss_verdict = found

    def _expected(self, block: UseBlock, utc_offset_s: float) -> tuple[float | None, float]:
        """Return the use expected in a block and its relative sigma."""
        forecaster = self._forecaster
        expected_l = forecaster.expected_l(block.start_s, block.end_s, utc_offset_s)
        return expected_l, self._explained.rel_sigma(forecaster.expected_rel_sigma)

    def _without_drift(self, t_s: float, read_m: float) -> float:
        """Take off a reading what the probe's temperature has added."""
        probe, off_m = self._probe, 0.0
        temp_c = probe.believed_c(t_s, self._temp_c)
        if temp_c is not None or not probe.is_new:
            off_m = probe.correction_m(t_s, temp_c)
            is_quiet = self._check is None and self._balance.flow is Flow.FALLING
            probe.add(t_s, read_m, temp_c, is_quiet=is_quiet)
        return min(max(0.0, read_m - off_m), self._shape.height_m)

    def is_told_by(self, view: VesselView, t_s: float) -> bool:
        """Whether a view taken before still says what one taken now would.

        So it is most of the time: good reports of water that hardly falls.
        """
        verdict, volume_l = self._verdict, self._balance.volume_l
        return (
            view.reason is Reason.NONE
            and verdict is not None
            and verdict.reason is Reason.NONE
            and self._check is None
            and 0.0 <= t_s - view.t_s < VIEW_FOR_S
            and view.flow is self._balance.flow is Flow.FALLING
            and view.loss is self._standing
            and view.volume_l is not None
            and volume_l is not None
            and abs(volume_l - view.volume_l) < VIEW_WITHIN_FRAC * self._shape.capacity_l
        )

    def view(self, t_s: float, utc_offset_s: float) -> VesselView:
        """Return what may be shown now."""
        balance, verdict = self._balance, self._verdict
        last_good_s = self._conditioner.last_good_s
        if last_good_s is None:
            last_good_s = self._good_s
        held_s = 0.0
        if verdict is None or not verdict.status.is_usable:
            held_s = float("inf") if last_good_s is None else max(0.0, t_s - last_good_s)
        volume_l = balance.volume_l
        status, reason = Status.FUNCTION_CHECK, Reason.STARTING
        if verdict is not None:
            status, reason = verdict.status, verdict.reason
        if self._check is not None and status.is_usable:
            status, reason, volume_l = Status.FUNCTION_CHECK, self._check, self.accepted_l
        is_level_known = volume_l is not None and held_s <= LEVEL_HOLD_S
        is_estimate_known = volume_l is not None and held_s <= ESTIMATE_HOLD_S
        empty_at = start_at = None
        if is_estimate_known and volume_l is not None:
            empty_at = self._until_used(t_s, volume_l - self._zero_l, utc_offset_s)
            start_at = self._until_used(t_s, volume_l - self._start_l, utc_offset_s)
        nothing = (None, None)
        use, use_sigma = (is_estimate_known and balance.use_over(DAY_S)) or nothing
        week, week_sigma = (is_estimate_known and balance.use_over(WEEK_S)) or nothing
        shown_l = volume_l if is_level_known else None
        return VesselView(
            t_s=t_s,
            status=status,
            reason=reason,
            held_s=held_s,
            volume_l=shown_l,
            fill_frac=None if shown_l is None else shown_l / self._full_l,
            usable_l=None if shown_l is None else max(0.0, shown_l - self._zero_l),
            use_l_per_day=use,
            use_sigma_l_per_day=use_sigma,
            use_week_l_per_day=week,
            use_week_sigma_l_per_day=week_sigma,
            empty_at=empty_at,
            start_at=start_at,
            full_at_s=balance.full_at_s(self._full_l) if is_level_known else None,
            fill_rate_l_per_s=balance.fill_rate_l_per_s if is_level_known else None,
            flow=balance.flow if is_level_known else Flow.UNKNOWN,
            last_fill=balance.last_fill,
            total_used_l=balance.total_used_l if volume_l is not None else None,
            today=balance.today,
            loss=self._standing,
            rejected_count=self._conditioner.rejected_count,
            interval_s=self._conditioner.interval_s,
            probe_drift_m_per_k=self._probe.drift_m_per_k,
        )

    def outlook(self, t_s: float, until_s: float, utc_offset_s: float) -> Outlook | None:
        """Return whether the usable water lasts until a time, and how likely.

        Returns:
            None while the level or the use is not known.
        """
        volume_l = self._balance.volume_l
        if volume_l is None:
            return None
        usable_l = max(0.0, volume_l - self._zero_l)
        least_l = self._leaving_l_per_s * max(0.0, until_s - t_s)
        return self._forecaster.outlook(t_s, until_s, usable_l, utc_offset_s, least_l)

    @property
    def _standing(self) -> LossVerdict | None:
        """What is told of a loss now."""
        return self._burst.verdict or self._loss_verdict

    @property
    def _leaving_l_per_s(self) -> float:
        """Ordinary use and loss together while an alarm stands, L/s; else 0."""
        loss = self._standing
        if loss is None or not loss.is_alarm:
            return 0.0
        return self._loss.normal_l_per_s + loss.excess_l_per_h / HOUR_S

    def _until_used(self, t_s: float, litres: float, utc_offset_s: float) -> Interval | None:
        """Return until when litres last; None while that is not known.

        A loss whose alarm stands is taken to go on: the forecast learns of it slowly, and would
        promise days that a leak does not leave.
        """
        litres = max(0.0, litres)
        span = self._forecaster.until_used(t_s, litres, utc_offset_s)
        leaving_l_per_s = self._leaving_l_per_s
        if span is None or leaving_l_per_s <= 0.0:
            return span
        likely_s = min(span.likely, t_s + litres / leaving_l_per_s)
        return Interval(min(span.early, likely_s), likely_s, span.late)

    @property
    def accepted_l(self) -> float | None:
        """What the vessel held by the last accepted reading, not smoothed, L."""
        depth_m = self._accepted_m
        return None if depth_m is None else self._shape.volume_l(depth_m)

    @property
    def learned_fill_l_per_s(self) -> float | None:
        """Mean rate of the last whole fill, if a fill device brought it.

        What somebody poured says nothing of the device, which may be a hundred times slower.
        """
        fill = self._balance.last_fill
        if fill is None or fill.end_s is None or fill.end_s <= fill.start_s:
            return None
        if not fill.attended_by_device:
            return None
        return fill.volume_l / (fill.end_s - fill.start_s)

    @property
    def is_signal_lost(self) -> bool:
        """Whether control has no level; a step that waits for confirmation is no loss yet."""
        verdict = self._verdict
        if verdict is None:
            return True
        return not verdict.status.is_usable and verdict.reason is not Reason.CONFIRMING_STEP

    def guard_level(self, t_s: float) -> LevelReported:
        """Return the newest judged report as the guard of the fill device hears it.

        The guard gets the accepted reading itself, not the smoothed estimate: it must be
        quick to stop. A reading that waits for confirmation is marked as suspended.
        """
        verdict, conditioner = self._verdict, self._conditioner
        if self.is_signal_lost:
            return LevelReported(t_s, None, usable=False)
        depth_m = self._accepted_m
        if verdict is None or depth_m is None or not verdict.accepted:
            return LevelReported(t_s, None, usable=True, suspended=True)
        slope = self._shape.litres_per_m(depth_m)
        resolution_m, noise_m = conditioner.resolution_m, conditioner.noise_m
        return LevelReported(
            t_s,
            self._shape.volume_l(depth_m),
            usable=True,
            interval_s=conditioner.interval_s,
            resolution_l=None if resolution_m is None else resolution_m * slope,
            noise_l=None if noise_m is None else noise_m * slope,
            fill_rate_l_per_s=self.learned_fill_l_per_s,
        )

    def acknowledge_loss(self) -> None:
        """Accept the present use as it is; the loss test starts anew."""
        self._loss.reset()
        self._worth_l = None
        self._loss_verdict = None
        self._burst.accept()

    def go_live(self) -> None:
        """Go on from recorded history to live reports: the signal is judged anew.

        A recorder keeps no repeated values, so what it tells of the reporting interval is not
        what the live source does.
        """
        self._good_s = self._conditioner.last_good_s
        self._conditioner = self._new_conditioner()
        self._same_until_s = None
        self._verdict = None
        self._accepted_m = None

    def set_on_new_footing(self) -> None:
        """Go on with another source, place or shape: what was learned of the water stays."""
        self.go_live()
        self._probe = ProbeTemperature()
        self._balance.rebased()

    def restarted(self, t_s: float) -> None:
        """Bridge a time in which nobody looked: learned things stay, trust is earned anew."""
        self._conditioner.restarted(t_s)
        self._balance.restarted(t_s)
        self._same_until_s = None

    def snapshot(self) -> dict[str, Any]:
        """Return the learned state in JSON types."""
        return {
            "version": SNAPSHOT_VERSION,
            "conditioner": self._conditioner.snapshot(),
            "balance": self._balance.snapshot(),
            "forecaster": self._forecaster.snapshot(),
            "loss": self._loss.snapshot(),
            "probe": self._probe.snapshot(),
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take up a snapshot.

        Raises:
            ValueError: The snapshot is not one of ours; the model is then in an undefined
                state and must be made anew.
        """
        try:
            if data["version"] != SNAPSHOT_VERSION:
                msg = f"snapshot version {data['version']!r} is not {SNAPSHOT_VERSION}"
                raise ValueError(msg)
            self._conditioner.restore(data["conditioner"])
            self._balance.restore(data["balance"])
            self._forecaster.restore(data["forecaster"])
            self._loss.restore(data["loss"])
            self._worth_l = None
            # Snapshots of the first release know nothing of the probe; it is learned anew.
            self._probe = ProbeTemperature()
            if "probe" in data:
                self._probe.restore(data["probe"])
        except (KeyError, TypeError, AttributeError) as err:
            msg = f"not a snapshot of a vessel: {err!r}"
            raise ValueError(msg) from err
