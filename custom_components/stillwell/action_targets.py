"""What a call of an action is aimed at, and how an action of ours is registered."""

from collections.abc import Callable, Coroutine
from typing import Any

from homeassistant.core import HomeAssistant, ServiceCall, ServiceResponse, SupportsResponse
from homeassistant.exceptions import ServiceValidationError
from homeassistant.helpers import config_validation as cv
from homeassistant.helpers import entity_registry as er
from homeassistant.helpers.service import verify_domain_control
from homeassistant.helpers.target import TargetSelection, async_extract_referenced_entity_ids

from .const import DOMAIN
from .fill_line import FillLine
from .targets import Owned, target_of
from .vessel import VesselRuntime
from .watch import Watch


def _found(
    call: ServiceCall, *kinds: type[Owned]
) -> tuple[dict[str, tuple[Owned, bool]], ServiceValidationError | None]:
    """Return what of some kinds a call is aimed at, by id, and what is wrong with the call.

    Beside each stands whether an entity of it was named, and not only its area, device or label.
    """
    hass = call.hass
    referenced = async_extract_referenced_entity_ids(hass, TargetSelection(call.data))
    registry = er.async_get(hass)
    found: dict[str, tuple[Owned, bool]] = {}
    wrong: ServiceValidationError | None = None
    for entity_id in sorted(referenced.referenced | referenced.indirectly_referenced):
        target = target_of(hass, registry.async_get(entity_id))
        is_named = entity_id in referenced.referenced
        if isinstance(target, kinds):
            _, was_named = found.get(target.subentry_id, (target, False))
            found[target.subentry_id] = target, is_named or was_named
        elif is_named and wrong is None:
            wrong = ServiceValidationError(
                translation_domain=DOMAIN,
                translation_key="not_a_watch" if issubclass(kinds[0], Watch) else "not_a_vessel",
                translation_placeholders={"entity": entity_id},
            )
    if not found and wrong is None:
        key = "no_watch" if issubclass(kinds[0], Watch) else "no_vessel"
        wrong = ServiceValidationError(translation_domain=DOMAIN, translation_key=key)
    return found, wrong


def _targets(call: ServiceCall, *kinds: type[Owned]) -> list[Owned]:
    """Return what of some kinds a call is aimed at, each once.

    Raises:
        ServiceValidationError: An entity is of another kind, or nothing was found.
    """
    found, wrong = _found(call, *kinds)
    if wrong is not None:
        raise wrong
    return [target for target, _ in found.values()]


def vessels(call: ServiceCall) -> list[VesselRuntime]:
    """Return the vessels a call is aimed at; a line stands for the vessel it fills."""
    found: dict[str, VesselRuntime] = {}
    for target in _targets(call, VesselRuntime, FillLine):
        vessel = target.destination if isinstance(target, FillLine) else target
        if isinstance(vessel, VesselRuntime):
            found[vessel.subentry_id] = vessel
    return list(found.values())


def lines(call: ServiceCall) -> list[FillLine]:
    """Return the lines a call is aimed at; a vessel stands for the lines that fill it.

    Raises:
        ServiceValidationError: An entity is of another kind, or a vessel has no line.
    """
    found, wrong = lines_there(call)
    if wrong is not None:
        raise wrong
    return found


def lines_there(call: ServiceCall) -> tuple[list[FillLine], ServiceValidationError | None]:
    """Return the lines a call is aimed at as far as they are there, and what is wrong with it.

    A vessel that was not named itself, in an area of others, may have no line.
    """
    targets, wrong = _found(call, VesselRuntime, FillLine)
    found: dict[str, FillLine] = {}
    for target, _ in targets.values():
        filled = target.lines if isinstance(target, VesselRuntime) else [target]
        found |= {line.subentry_id: line for line in filled if isinstance(line, FillLine)}
    for target, is_named in targets.values():
        is_without = isinstance(target, VesselRuntime) and not target.lines
        if is_without and wrong is None and (is_named or not found):
            wrong = ServiceValidationError(
                translation_domain=DOMAIN,
                translation_key="no_fill_line",
                translation_placeholders={"vessel": target.title},
            )
    return list(found.values()), wrong


def watches[W: Watch](call: ServiceCall, kind: type[W]) -> list[W]:
    """Return the watches of a kind that a call is aimed at."""
    return [target for target in _targets(call, kind) if isinstance(target, kind)]


def typed_watches[A: Watch, B: Watch](
    call: ServiceCall, first: type[A], second: type[B]
) -> list[A | B]:
    """Return the watches of either of two kinds that a call is aimed at."""
    found = _targets(call, first, second)
    return [target for target in found if isinstance(target, (first, second))]


def register(
    hass: HomeAssistant,
    name: str,
    handler: Callable[[ServiceCall], Coroutine[Any, Any, ServiceResponse]],
    fields: dict[Any, Any],
    response: SupportsResponse = SupportsResponse.NONE,
) -> None:
    """Register an action that is aimed at entities or devices of ours.

    One that changes anything is for those who may control our entities, as the hub's own are.
    """
    is_question = response is SupportsResponse.ONLY
    hass.services.async_register(
        DOMAIN,
        name,
        handler if is_question else verify_domain_control(DOMAIN)(handler),
        schema=cv.make_entity_service_schema(fields),
        supports_response=response,
    )
