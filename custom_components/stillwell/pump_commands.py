"""What a dosing pump is told, by whomever: heard as it is said, since the pump may never say it.

Nothing is commanded here. A call is taken for a command whether the device obeys or not; a stop
that the hub itself does not deliver, because the pump is unavailable, is none.
"""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Final

from homeassistant.components.number import ATTR_VALUE, SERVICE_SET_VALUE
from homeassistant.components.valve import ATTR_POSITION
from homeassistant.const import (
    ATTR_SERVICE,
    ATTR_SERVICE_DATA,
    EVENT_CALL_SERVICE,
    SERVICE_CLOSE_VALVE,
    SERVICE_OPEN_VALVE,
    SERVICE_SET_VALVE_POSITION,
    SERVICE_TOGGLE,
    SERVICE_TURN_OFF,
    SERVICE_TURN_ON,
    STATE_UNAVAILABLE,
)
from homeassistant.core import CALLBACK_TYPE, Event, HomeAssistant, callback

from .aimed_calls import is_aimed
from .readings import commanded_flow_l_per_h, pump_flow_l_per_h

if TYPE_CHECKING:
    from homeassistant.core import State

STARTS: Final = frozenset({SERVICE_TURN_ON, SERVICE_OPEN_VALVE})
STOPS: Final = frozenset({SERVICE_TURN_OFF, SERVICE_CLOSE_VALVE})
HEARD: Final = STARTS | STOPS | {SERVICE_TOGGLE, SERVICE_SET_VALVE_POSITION, SERVICE_SET_VALUE}


@callback
def async_follow_commands(
    hass: HomeAssistant,
    entity_id: str,
    rated_l_per_h: float | None,
    told: Callable[[float, float], None],
) -> CALLBACK_TYPE:
    """Tell when (s), and to give what (L/h), the pump is told; 0 is to stop."""

    @callback
    def is_command(data: Mapping[str, Any]) -> bool:
        return data[ATTR_SERVICE] in HEARD and is_aimed(hass, entity_id, data)

    @callback
    def note(event: Event[Any]) -> None:
        state = hass.states.get(entity_id)
        flow = _flow(event.data, state, rated_l_per_h)
        if flow is None or (flow <= 0.0 and not _is_delivered(state)):
            return
        told(event.time_fired_timestamp, flow)

    return hass.bus.async_listen(EVENT_CALL_SERVICE, note, is_command)


def _is_delivered(state: State | None) -> bool:
    """Whether the hub passes a command on: it skips an entity that is not available."""
    return state is not None and state.state != STATE_UNAVAILABLE


def _flow(data: Mapping[str, Any], state: State | None, rated: float | None) -> float | None:
    """Return the flow a call asks for, L/h; None when nobody knows."""
    service, asked = data[ATTR_SERVICE], data[ATTR_SERVICE_DATA]
    if service == SERVICE_SET_VALUE:
        return commanded_flow_l_per_h(asked.get(ATTR_VALUE), state, rated)
    if service == SERVICE_SET_VALVE_POSITION:
        # Ajar is taken for open.
        return 0.0 if asked.get(ATTR_POSITION) in (0, "0") else rated
    if service == SERVICE_TOGGLE:
        # The hub goes by what the pump says; what says nothing is switched on.
        is_running = (pump_flow_l_per_h(state, rated) or 0.0) > 0.0
        return 0.0 if is_running else rated
    return rated if service in STARTS else 0.0
