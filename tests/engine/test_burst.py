"""A burst hose is told within minutes, a bucket never."""

import pytest
from custom_components.stillwell.engine.burst import BurstWatch
from custom_components.stillwell.engine.geometry import Box
from custom_components.stillwell.engine.pipeline import VesselModel, VesselSpec
from custom_components.stillwell.engine.quantities import DaySpan, Reading

SPEC = VesselSpec(Box(0.3, 0.3, 0.34), empty_m=0.02, start_m=0.07, full_m=0.3, high_m=0.32)
DAY = DaySpan("2026-03-02", 0.0, 4e9)
L_PER_M = 90.0


class Hose:
    """A reservoir at 3 L a day, with a report every two minutes to a millimetre."""

    def __init__(self) -> None:
        self.model = VesselModel(SPEC)
        self.t_s = 1_780_000_000.0
        self.volume_l = 25.0
        self.lose(26 * 60, 0.0)

    def lose(self, minutes: int, l_per_min: float) -> float | None:
        """Let time pass; return the minutes until the warning."""
        began_s = self.t_s
        told: float | None = None
        for _ in range(minutes // 2):
            self.t_s += 120.0
            self.volume_l = max(0.5, self.volume_l - 2 * (l_per_min + 3.0 / 1440.0))
            depth_m = round(self.volume_l / L_PER_M, 3)
            self.model.report(self.t_s, Reading(depth_m), fill_on=None, day=DAY, utc_offset_s=0.0)
            loss = self.model.view(self.t_s, 0.0).loss
            if told is None and loss is not None and loss.is_alarm:
                told = (self.t_s - began_s) / 60.0
        return told


@pytest.mark.parametrize(("l_per_min", "within_min"), [(0.3, 30), (0.5, 16), (1.0, 16)])
def test_a_burst_is_told_soon(l_per_min: float, within_min: int) -> None:
    hose = Hose()
    told_min = hose.lose(within_min, l_per_min)
    assert told_min is not None
    loss = hose.model.view(hose.t_s, 0.0).loss
    # Litres lost by construction, in the time since it began.
    assert loss.lost_l == pytest.approx(within_min * l_per_min, rel=0.3)
    assert loss.excess_l_per_h == pytest.approx(60 * l_per_min, rel=0.3)
    hose.model.acknowledge_loss()
    assert hose.model.view(hose.t_s, 0.0).loss is None


@pytest.mark.parametrize("litres", [3.0, 6.0, 10.0])
def test_a_bucket_is_not(litres: float) -> None:
    hose = Hose()
    hose.volume_l -= litres
    assert hose.lose(6 * 60, 0.0) is None


def test_samples_that_say_too_little() -> None:
    watch = BurstWatch()
    watch.look(0.0, [], 30.0, is_draining=True)
    watch.look(400.0, [], 30.0, is_draining=True)
    assert watch.verdict is None
    still = [(60.0 * i, 20.0) for i in range(20)]
    watch.look(1140.0, still, 30.0, is_draining=True)
    assert watch.verdict is None
    watch.look(1200.0, still, 30.0, is_draining=False)
    assert watch.verdict is None


def test_reports_so_rare_that_one_stands_for_both_wait_for_the_next() -> None:
    """A report every ten minutes; medians and times between them worked by hand."""
    watch = BurstWatch()
    samples = [(0.0, 20.4), (600.0, 20.8)]
    watch.look(600.0, samples, 30.6, is_draining=True)
    samples.append((1200.0, 19.8))
    watch.look(1200.0, samples, 30.6, is_draining=True)
    assert watch.verdict is None
    samples.append((1800.0, 19.0))
    watch.look(1800.0, samples, 30.6, is_draining=True)
    assert watch.verdict is not None
    # 20.3 L, the mean of 20.8 and 19.8, at 900 s; the middle one of the last three at 1200 s.
    assert watch.verdict.excess_l_per_h == pytest.approx(0.5 / 300.0 * 3600.0)
