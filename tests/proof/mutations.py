"""Guards broken on purpose. The proof is worth something only if it catches each of them."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib import import_module
from types import ModuleType
from typing import Any

from custom_components.stillwell.engine.guard_events import BlockReason
from custom_components.stillwell.engine.guard_state import GuardState
from custom_components.stillwell.engine.guard_table import MOVES, Cue, Phase

from . import campaign
from .explore import SLICES, explore

FEW_STATES, MANY_STATES, DAYS = 1_500, 15_000, 400
ENGINE = "custom_components.stillwell.engine"


@dataclass(frozen=True, slots=True)
class Mutation:
    """A planted fault: what it does, and how it is planted and taken out again."""

    name: str
    plant: Callable[[], Callable[[], None]]


def _module(name: str) -> ModuleType:
    return import_module(f"{ENGINE}.{name}")


def _swap(places: tuple[str, ...], name: str, make: Callable[[Any], Any]) -> Callable[..., Any]:
    """Replace a function in every module that uses it under that name."""

    def plant() -> Callable[[], None]:
        modules = [_module(place) for place in places]
        old = getattr(modules[0], name)
        for module in modules:
            setattr(module, name, make(old))

        def restore() -> None:
            for module in modules:
                setattr(module, name, old)

        return restore

    return plant


def _move(phase: Phase, cue: Cue, to: Phase) -> Callable[[], Callable[[], None]]:
    def plant() -> Callable[[], None]:
        old = MOVES[phase][cue]
        MOVES[phase][cue] = to

        def restore() -> None:
            MOVES[phase][cue] = old

        return restore

    return plant


# Each is given the old function; some have no use for it.


def _without(reason: BlockReason) -> Callable[[Any], Any]:
    return lambda old: lambda *args: (block for block in old(*args) if block is not reason)


def _forgets_the_trip() -> Callable[[], None]:
    old = GuardState.to_dict

    def to_dict(self: GuardState) -> dict[str, Any]:
        return {**old(self), "trip": None, "phase": Phase.IDLE.value}

    GuardState.to_dict = to_dict  # type: ignore[method-assign]

    def restore() -> None:
        GuardState.to_dict = old  # type: ignore[method-assign]

    return restore


def _extends(old: Callable[..., GuardState]) -> Callable[..., GuardState]:
    def observe(scene: Any) -> GuardState:
        state: GuardState = scene.state
        if state.run is None:
            return state
        deadline_s = state.run.started_s + scene.settings.longest_run_s
        return replace(state, run=replace(state.run, deadline_s=deadline_s))

    return observe


def _observer(kind: str, make: Callable[[Any], Any]) -> Callable[[], Callable[[], None]]:
    def plant() -> Callable[[], None]:
        observers = _module("guard_facts").OBSERVERS
        key = next(event for event in observers if event.__name__ == kind)
        old = observers[key]
        observers[key] = make(old)

        def restore() -> None:
            observers[key] = old

        return restore

    return plant


def _both(*plants: Callable[[], Callable[[], None]]) -> Callable[[], Callable[[], None]]:
    def plant() -> Callable[[], None]:
        restores = [one() for one in plants]

        def restore() -> None:
            for one in reversed(restores):
                one()

        return restore

    return plant


MUTATIONS: tuple[Mutation, ...] = (
    Mutation(
        "an old level still counts as a good signal",
        _swap(
            ("guard_rules", "guard_facts", "guard_trips", "guard_decisions"),
            "is_signal_good",
            lambda _old: (
                lambda level, _settings, _t_s: not level.is_bad and level.usable_s is not None
            ),
        ),
    ),
    Mutation(
        "an unknown contact counts as clear",
        _swap(("guard_rules",), "_contact_blocks", _without(BlockReason.INPUT_UNKNOWN)),
    ),
    Mutation(
        "the high limit is not looked at",
        _swap(("guard_rules",), "_signal_blocks", _without(BlockReason.HIGH_LEVEL)),
    ),
    Mutation(
        "a lockout is told but does not block",
        _swap(("guard_rules",), "_phase_blocks", _without(BlockReason.LOCKED_OUT)),
    ),
    Mutation(
        "changed options extend a run in progress",
        _both(
            _observer("SettingsChanged", _extends),
            _swap(
                ("guard_trips",),
                "is_overdue",
                lambda _old: (
                    lambda scene: (
                        scene.state.run is not None and scene.t_s >= scene.state.run.deadline_s
                    )
                ),
            ),
        ),
    ),
    Mutation(
        "OFF is sent once and not repeated",
        _swap(
            ("guard",),
            "_sent",
            lambda old: lambda off, t_s: replace(old(off, t_s), next_s=t_s + 1e9),
        ),
    ),
    Mutation(
        "a reset does not look at the conditions",
        _swap(
            ("guard_decisions",),
            "reset_refusal",
            lambda old: lambda scene: None if scene.state.phase is Phase.LOCKED_OUT else old(scene),
        ),
    ),
    Mutation(
        "a restart does not put off what is on",
        _swap(
            ("guard_decisions",),
            "_found_on",
            lambda _old: lambda scene: _module("guard_decisions")._found_off(scene),
        ),
    ),
    Mutation(
        "a stop that is confirmed forgets the lockout",
        _both(
            _move(Phase.TRIPPING, Cue.OFF_CONFIRMED, Phase.SETTLING),
            _swap(
                ("guard_moves",),
                "run_closed",
                lambda old: lambda scene: replace(old(scene), trip=None),
            ),
        ),
    ),
    Mutation("a lockout does not survive a restart", _forgets_the_trip),
    Mutation(
        "no rise is never found",
        _swap(("guard_trips",), "is_barren", lambda _old: lambda *_args: False),
    ),
    Mutation(
        "a low source does not stop the pump",
        _swap(("guard_rules",), "_source_blocks", _without(BlockReason.SOURCE_LOW)),
    ),
)


@contextmanager
def planted(mutation: Mutation) -> Iterator[None]:
    """Plant a fault for a while."""
    restore = mutation.plant()
    try:
        yield
    finally:
        restore()


def caught_by(mutation: Mutation, days: int = DAYS) -> str | None:
    """Return what catches the mutation first, or None if nothing does."""
    with planted(mutation):
        return _broken_state(FEW_STATES) or _broken_day(days) or _broken_state(MANY_STATES)


def _broken_state(limit: int) -> str | None:
    for part in sorted(SLICES, key=lambda part: len(part.events)):
        broken = explore(part, limit, stop_at_first=True).broken
        if broken:
            return f"exploration ({part.name}): {', '.join(broken)}"
    return None


def _broken_day(days: int) -> str | None:
    for number in range(days):
        faults, day = campaign.play(campaign.SEED, number)
        for what in campaign.violations_of(faults, day):
            return f"campaign (day {number}, {' + '.join(faults) or 'no fault'}): {what}"
    return None
