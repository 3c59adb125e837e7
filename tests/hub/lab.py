"""A reservoir of the school lab in a test hub: set up, fed with readings, its clock moved."""

from dataclasses import fields
from typing import TYPE_CHECKING, Any

from custom_components.stillwell.const import CONFIG_MINOR_VERSION, CONFIG_VERSION, DOMAIN
from custom_components.stillwell.line_settings import FillLineSettings
from homeassistant.core import Context
from homeassistant.helpers import entity_registry as er
from homeassistant.setup import async_setup_component
from homeassistant.util import dt as dt_util
from pytest_homeassistant_custom_component.common import (
    MockConfigEntry,
    async_fire_time_changed,
)

from .conftest import fill_line, reservoir

if TYPE_CHECKING:
    from custom_components.stillwell.fill_line import FillLine
    from custom_components.stillwell.fill_watch import FillWatch
    from custom_components.stillwell.vessel import VesselRuntime
    from freezegun.api import FrozenDateTimeFactory
    from homeassistant.core import HomeAssistant, State

SOURCE = "sensor.lagoon_level"
VALVE = "input_boolean.lagoon_valve"
FLOAT = "binary_sensor.lagoon_float"
LEAK = "binary_sensor.lagoon_floor"
LINE_KEYS = frozenset(field.name for field in fields(FillLineSettings)) | {"feeds_system"}
SQUARE_L_PER_CM = 0.9
"""A box of 30 cm by 30 cm: 900 cm2, so 0.9 L for each cm."""


class Lab:
    """One system with one reservoir, and hands to move its world."""

    def __init__(self, hass: HomeAssistant, freezer: FrozenDateTimeFactory) -> None:
        self.hass = hass
        self.freezer = freezer
        self.entry: MockConfigEntry | None = None
        self.unit = "cm"
        self.source = SOURCE

    async def set_up(self, *more: dict[str, Any], **changes: Any) -> MockConfigEntry:
        """Set up the Lagoon system; `changes` go to the reservoir's settings.

        Settings that are a fill line's, and `device` above all, make one that fills it.
        """
        hass = self.hass
        of_line = {key: changes.pop(key) for key in tuple(changes) if key in LINE_KEYS}
        lines = [fill_line(**of_line)] if of_line else []
        assert await async_setup_component(
            hass, "input_boolean", {"input_boolean": {"lagoon_valve": None}}
        )
        self.entry = MockConfigEntry(
            domain=DOMAIN,
            title="Lagoon",
            version=CONFIG_VERSION,
            minor_version=CONFIG_MINOR_VERSION,
            data={"volume_l": 450.0, "salinity_psu": 35.0},
            subentries_data=[reservoir(**changes), *lines, *more],
        )
        self.entry.add_to_hass(hass)
        assert await hass.config_entries.async_setup(self.entry.entry_id)
        await hass.async_block_till_done(wait_background_tasks=True)
        return self.entry

    async def reload(self) -> None:
        """Unload and load the system."""
        assert await self.hass.config_entries.async_reload(self.entry.entry_id)
        await self.hass.async_block_till_done(wait_background_tasks=True)

    @property
    def runtime(self) -> VesselRuntime:
        """The reservoir as it lives in the hub."""
        return next(iter(self.entry.runtime_data.vessels.values()))

    @property
    def line(self) -> FillLine:
        """The fill line as it lives in the hub."""
        return next(iter(self.entry.runtime_data.lines.values()))

    @property
    def watch(self) -> FillWatch:
        """Its watch."""
        return self.line.watch

    async def change(self, kind: str = "reservoir", **changes: Any) -> None:
        """Change settings of the first subentry of a kind, as its form would; None leaves out."""
        subentry = self.entry.get_subentries_of_type(kind)[0]
        data = dict(subentry.data) | changes
        self.hass.config_entries.async_update_subentry(
            self.entry,
            subentry,
            data={key: value for key, value in data.items() if value is not None},
        )
        await self.hass.async_block_till_done(wait_background_tasks=True)

    def entity_id(self, key: str) -> str:
        """Return the entity of the reservoir, or of its line, with this key."""
        registry = er.async_get(self.hass)
        entities = er.async_entries_for_config_entry(registry, self.entry.entry_id)
        wanted = [f"{subentry_id}_{key}" for subentry_id in self.entry.subentries]
        for entity in entities:
            if entity.unique_id in wanted:
                return entity.entity_id
        raise AssertionError(key)

    def state(self, key: str) -> State | None:
        """Return the state of an entity by its key."""
        return self.hass.states.get(self.entity_id(key))

    async def press(self, key: str) -> None:
        """Press a button."""
        await self.hass.services.async_call(
            "button", "press", {"entity_id": self.entity_id(key)}, blocking=True
        )
        await self.hass.async_block_till_done()

    async def switch(self, key: str, *, on: bool) -> None:
        """Move a switch."""
        await self.hass.services.async_call(
            "switch",
            "turn_on" if on else "turn_off",
            {"entity_id": self.entity_id(key)},
            blocking=True,
        )
        await self.hass.async_block_till_done()

    def value(self, key: str) -> float:
        """Return an entity's number."""
        return float(self.state(key).state)

    def seconds_until(self, key: str) -> float:
        """Return how far ahead a timestamp entity points."""
        moment = dt_util.parse_datetime(self.state(key).state)
        return (moment - dt_util.utcnow()).total_seconds()

    async def level(self, value: float | str) -> None:
        """Report a level now."""
        shown = value if isinstance(value, str) else f"{value:.2f}"
        self.hass.states.async_set(self.source, shown, {"unit_of_measurement": self.unit})
        await self.hass.async_block_till_done()

    async def wait(self, seconds: float) -> None:
        """Let time pass without a report."""
        self.freezer.tick(seconds)
        async_fire_time_changed(self.hass)
        await self.hass.async_block_till_done()

    async def run(self, levels: list[float], every_s: float = 60.0) -> None:
        """Report one level after the other, with a pause before each."""
        for level in levels:
            await self.wait(every_s)
            await self.level(level)

    async def settle(self, level: float = 20.0, count: int = 12, every_s: float = 20.0) -> None:
        """Report one level until a run is permitted."""
        await self.run([level] * count, every_s)

    async def valve(self, *, on: bool) -> None:
        """Switch the fill device, as a rule would."""
        action = "turn_on" if on else "turn_off"
        await self.hass.services.async_call(
            "input_boolean",
            action,
            {"entity_id": VALVE},
            blocking=True,
            context=Context(parent_id="rule"),
        )
        await self.hass.async_block_till_done()

    @property
    def is_valve_on(self) -> bool:
        """Whether the fill device is on."""
        return self.hass.states.is_state(VALVE, "on")

    @property
    def is_permitted(self) -> bool:
        """Whether a rule may start or go on with a run."""
        return self.state("permit").state == "on"

    @property
    def is_locked_out(self) -> bool:
        """Whether the lockout is latched."""
        return self.state("lockout").state == "on"
