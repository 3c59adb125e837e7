"""A fill device (switch, valve or input_boolean): how to read it and how to command it."""

import logging
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any, Final

from homeassistant.components.valve import ATTR_POSITION, ValveEntityFeature, ValveState
from homeassistant.const import (
    ATTR_ENTITY_ID,
    ATTR_SUPPORTED_FEATURES,
    EVENT_CALL_SERVICE,
    SERVICE_CLOSE_VALVE,
    SERVICE_OPEN_VALVE,
    SERVICE_SET_VALVE_POSITION,
    SERVICE_TURN_OFF,
    SERVICE_TURN_ON,
    STATE_OFF,
    STATE_ON,
)
from homeassistant.core import (
    CALLBACK_TYPE,
    Context,
    Event,
    HomeAssistant,
    State,
    callback,
    split_entity_id,
)
from homeassistant.exceptions import HomeAssistantError

from .aimed_calls import CLOSED_POSITION, asks_to_run, is_aimed
from .engine.guard_events import Actor

_LOGGER = logging.getLogger(__name__)

CONTEXTS_KEPT: Final = 32
# Automation and script fire these with the context that their actions then carry.
RULE_EVENTS: Final = ("automation_triggered", "script_started")

DOMAIN_VALVE: Final = "valve"

ANSWER_S: Final = 30.0
"""A device that answers within this time does what was asked of it. The hub itself names the one
who asked for five seconds only, and not at all where a device answers by a message of its own."""
LATE_S: Final = 600.0
"""An ON of the line's own that has not shown yet may still do so for this long."""
OPEN_POSITION: Final = 100

# A valve on its way lets water through, whichever way it moves.
RUNNING: Final = frozenset({STATE_ON, ValveState.OPEN, ValveState.OPENING, ValveState.CLOSING})
STOPPED: Final = frozenset({STATE_OFF, ValveState.CLOSED})


class Actuator:
    """One fill device."""

    def __init__(self, hass: HomeAssistant, entity_id: str) -> None:
        """Name the device."""
        self.hass = hass
        self.entity_id = entity_id
        self._domain = split_entity_id(entity_id)[0]
        self._is_valve = self._domain == DOMAIN_VALVE
        self._own_contexts: deque[str] = deque(maxlen=CONTEXTS_KEPT)
        self._rule_contexts: deque[str] = deque(maxlen=CONTEXTS_KEPT)
        self._asked: dict[bool, tuple[float, Actor]] = {}
        """When, and by whom, it was last asked to run and to stop."""
        self._is_unanswered = False
        """Whether it has not been on since the line last asked it to run."""

    @callback
    def async_follow_rules(self) -> list[CALLBACK_TYPE]:
        """Note which contexts are rules: one that a clock starts has no parent to tell it by."""

        @callback
        def note(event: Event) -> None:
            self._rule_contexts.append(event.context.id)

        return [self.hass.bus.async_listen(kind, note) for kind in RULE_EVENTS]

    @callback
    def async_follow_requests(self, stopped: Callable[[Context], None]) -> CALLBACK_TYPE:
        """Note who asks something of the device; hear of an OFF at once, obeyed or not."""

        @callback
        def is_request(data: Mapping[str, Any]) -> bool:
            is_move = asks_to_run(data) is not None
            return is_move and is_aimed(self.hass, self.entity_id, data)

        @callback
        def note(event: Event) -> None:
            is_start = asks_to_run(event.data) is True
            self._asked[is_start] = event.time_fired_timestamp, self.actor(event.context)
            if not is_start and event.context.id not in self._own_contexts:
                stopped(event.context)

        return self.hass.bus.async_listen(EVENT_CALL_SERVICE, note, is_request)

    def actor_of_report(self, context: Context, t_s: float, *, on: bool | None) -> Actor:
        """Return who caused what the device reports; its own message answers who asked last."""
        found = self.actor(context)
        is_late, self._is_unanswered = self._is_unanswered, self._is_unanswered and not on
        if found is not Actor.UNKNOWN or on is None:
            return found
        asked_s, asked_by = self._asked.get(on, (-LATE_S, Actor.UNKNOWN))
        within_s = LATE_S if on and is_late and asked_by is Actor.LINE else ANSWER_S
        return asked_by if 0.0 <= t_s - asked_s <= within_s else Actor.UNKNOWN

    @property
    def members(self) -> tuple[str, ...]:
        """The devices behind it, if it is a group of the hub's; none otherwise."""
        state = self.hass.states.get(self.entity_id)
        named = () if state is None else state.attributes.get(ATTR_ENTITY_ID)
        if not isinstance(named, list | tuple):
            return ()
        return tuple(one for one in named if str(one).startswith(f"{self._domain}."))

    @property
    def is_on(self) -> bool | None:
        """Whether water may run; None while the device gives no answer.

        A group itself says off while one of its members cannot be reached, and one that is on only
        when all are says off as soon as the first of them is: it is off when every member is.
        """
        states = self.hass.states
        found = [self.read(states.get(one)) for one in (self.entity_id, *self.members)]
        if True in found:
            return True
        return None if None in found else False

    @staticmethod
    def read(state: State | None) -> bool | None:
        """Return what a state of the device says; None is unavailable or unknown."""
        if state is None:
            return None
        if state.state in RUNNING:
            return True
        return False if state.state in STOPPED else None

    def actor(self, context: Context) -> Actor:
        """Return who caused a change of the device."""
        if context.id in self._own_contexts:
            return Actor.LINE
        if context.user_id is not None and context.parent_id is None:
            return Actor.PERSON
        if context.parent_id is not None or context.id in self._rule_contexts:
            return Actor.AUTOMATION
        return Actor.UNKNOWN

    def _goes_by_position(self, *, on: bool) -> bool:
        """Whether the hub would refuse to open or close this valve, which can be set to a place."""
        state = self.hass.states.get(self.entity_id)
        able = 0 if state is None else int(state.attributes.get(ATTR_SUPPORTED_FEATURES) or 0)
        plain = ValveEntityFeature.OPEN if on else ValveEntityFeature.CLOSE
        return bool(able & ValveEntityFeature.SET_POSITION) and not able & plain

    async def async_command(self, *, on: bool) -> None:
        """Send a command once; whether it worked, the device's own state will tell."""
        context = Context()
        self._own_contexts.append(context.id)
        if on:
            self._is_unanswered = self.is_on is not True
        data: dict[str, Any] = {ATTR_ENTITY_ID: self.entity_id}
        if self._is_valve:
            domain, action = DOMAIN_VALVE, SERVICE_OPEN_VALVE if on else SERVICE_CLOSE_VALVE
            if self._goes_by_position(on=on):
                action = SERVICE_SET_VALVE_POSITION
                data[ATTR_POSITION] = OPEN_POSITION if on else CLOSED_POSITION
        else:
            domain = self._domain
            action = SERVICE_TURN_ON if on else SERVICE_TURN_OFF
        try:
            await self.hass.services.async_call(
                domain,
                action,
                data,
                blocking=True,
                context=context,
            )
        except HomeAssistantError as err:
            # Not confirmed is what the guard goes by; it repeats an OFF until it reads off.
            _LOGGER.debug("%s of %s failed: %s", action, self.entity_id, err)
        except Exception:
            _LOGGER.exception("%s of %s failed", action, self.entity_id)


def contacts(hass: HomeAssistant, entity_ids: tuple[str, ...]) -> bool | None:
    """Combine contacts: active wins over unknown, unknown over clear; none at all is clear."""
    states = [hass.states.get(entity_id) for entity_id in entity_ids]
    if any(state is not None and state.state == STATE_ON for state in states):
        return True
    return (
        False if all(state is not None and state.state == STATE_OFF for state in states) else None
    )
