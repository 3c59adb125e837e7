"""Which parts a vessel of each kind has."""

from typing import TYPE_CHECKING

from .drain_part import DrainPart
from .vat_part import VatPart
from .vessel_kinds import SumpSettings, VatSettings

if TYPE_CHECKING:
    from .vessel import VesselRuntime
    from .vessel_part import VesselPart


def parts_of(vessel: VesselRuntime) -> list[VesselPart]:
    """Return the parts of a vessel, made anew."""
    match vessel.kind_settings:
        case SumpSettings(return_pump=str(pump), rim_m=rim_m):
            return [DrainPart(vessel, pump, rim_m)]
        case VatSettings() as settings:
            return [VatPart(vessel, settings)]
    return []
