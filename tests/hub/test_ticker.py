"""Time passes for all systems by one clock of the hub, and stands when nobody asks for it."""

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from custom_components.stillwell import ticker
from homeassistant.util import dt as dt_util
from pytest_homeassistant_custom_component.common import async_fire_time_changed

if TYPE_CHECKING:
    from freezegun.api import FrozenDateTimeFactory
    from homeassistant.core import HomeAssistant


async def pass_time(hass: HomeAssistant, freezer: FrozenDateTimeFactory) -> float:
    """Let half a minute pass; return the time it then is."""
    freezer.tick(timedelta(seconds=30.1))
    async_fire_time_changed(hass, fire_all=True)
    await hass.async_block_till_done()
    return dt_util.utcnow().timestamp()


async def test_a_fault_in_one_system_does_not_stop_time_for_the_others(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, caplog: pytest.LogCaptureFixture
) -> None:
    """Whoever asked first fails at each look; who asked later hears of every one."""
    seen: list[float] = []

    def broken(_now_s: float) -> None:
        raise RuntimeError("a defect")

    clock = ticker.async_ticker(hass)
    removes = [clock.async_add(broken), clock.async_add(seen.append)]
    for count in (1, 2):
        now_s = await pass_time(hass, freezer)
        assert len(seen) == count
        assert seen[-1] == pytest.approx(now_s, abs=1.0)
    assert caplog.text.count("Time could not pass for a system") == 2
    for remove in removes:
        remove()
    await pass_time(hass, freezer)
    assert len(seen) == 2


async def test_all_share_one_clock_which_stands_when_the_last_is_gone(
    hass: HomeAssistant, freezer: FrozenDateTimeFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each timer of the hub would cost at every look; a clock left running would outlive us."""
    started = stopped = 0
    real = ticker.async_track_time_interval

    def track(*args: object, **named: object) -> object:
        nonlocal started
        started += 1
        stop = real(*args, **named)

        def end() -> None:
            nonlocal stopped
            stopped += 1
            stop()

        return end

    monkeypatch.setattr(ticker, "async_track_time_interval", track)
    first: list[float] = []
    second: list[float] = []
    removes = [ticker.async_ticker(hass).async_add(look.append) for look in (first, second)]
    assert started == 1
    await pass_time(hass, freezer)
    assert len(first) == len(second) == 1
    removes[0]()
    assert stopped == 0
    await pass_time(hass, freezer)
    assert (len(first), len(second)) == (1, 2)
    removes[1]()
    assert stopped == 1
    # And it starts anew for whoever comes next.
    ticker.async_ticker(hass).async_add(first.append)()
    assert (started, stopped) == (2, 2)
