"""What a dosing pump is told, by whomever: heard as it is said, since the pump may never say it.

Nothing is commanded here. A call is taken for a command whether the device obeys or not; a stop
that the hub itself does not deliver, because the pump is unavailable, is none.
"""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from homeassistant.components.number import ATTR_VALUE, SERVICE_SET_VALUE
from homeassistant.const import (
    ATTR_SERVICE,
    ATTR_SERVICE_DATA,
    EVENT_CALL_SERVICE,
    SERVICE_TOGGLE,
    STATE_UNAVAILABLE,
)
from homeassistant.core import CALLBACK_TYPE, Event, HomeAssistant, callback

from .aimed_calls import asks_to_run, is_aimed
from .readings import commanded_flow_l_per_h, pump_flow_l_per_h

if TYPE_CHECKING:
    from homeassistant.core import State


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
        is_other = data[ATTR_SERVICE] in (SERVICE_TOGGLE, SERVICE_SET_VALUE)
        return (is_other or asks_to_run(data) is not None) and is_aimed(hass, entity_id, data)

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
    service = data[ATTR_SERVICE]
    if service == SERVICE_SET_VALUE:
        return commanded_flow_l_per_h(data[ATTR_SERVICE_DATA].get(ATTR_VALUE), state, rated)
    if service == SERVICE_TOGGLE:
        # The hub goes by what the pump says; what says nothing is switched on.
        is_running = (pump_flow_l_per_h(state, rated) or 0.0) > 0.0
        return 0.0 if is_running else rated
    return rated if asks_to_run(data) else 0.0
