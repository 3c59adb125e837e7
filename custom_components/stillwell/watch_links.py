"""What the watches of one system ask of each other; each answers for itself, or does not."""

from typing import TYPE_CHECKING, Protocol, runtime_checkable

from .engine.evaporation_book import MEASURED_HOLDS_S, SaltLedger
from .engine.salt_balance import SaltVerdict

if TYPE_CHECKING:
    from .coordinator import System


@runtime_checkable
class TellsEvaporation(Protocol):
    """A watch that knows what evaporates of the system."""

    @property
    def measured_l_per_day(self) -> float | None:
        """Measured evaporation; None while it is not known."""

    def salt_ledger(self, now_s: float) -> SaltLedger | None:
        """Return fresh water that came in against evaporation; None while it is not known."""


@runtime_checkable
class TellsSalt(Protocol):
    """A watch that knows whether salt stays in the system."""

    @property
    def salt_verdict(self) -> SaltVerdict:
        """What the salinity and the top-off say together."""


def evaporation_watch_of(system: System) -> TellsEvaporation | None:
    """Return the watch of a system that knows its evaporation; None without one."""
    for watch in system.watches.values():
        if isinstance(watch, TellsEvaporation):
            return watch
    return None


def evaporation_of(system: System) -> float | None:
    """Return what a system evaporates, L/d: by its watch, else by the vessel that replaces it."""
    if (watch := evaporation_watch_of(system)) is not None:
        return watch.measured_l_per_day
    for vessel in system.vessels.values():
        if vessel.settings.replaces_evaporation:
            is_held = vessel.view.held_s > MEASURED_HOLDS_S
            return None if is_held else vessel.view.use_l_per_day
    return None


def salt_verdict_of(system: System) -> SaltVerdict:
    """Return what a system's salinity says of the salt; unknown without a watch of it."""
    for watch in system.watches.values():
        if isinstance(watch, TellsSalt):
            return watch.salt_verdict
    return SaltVerdict.UNKNOWN
