"""Whether a vessel is low: at or below its start mark, with a dead band against chatter.

Dead band in the sense of ISA-18.2 / IEC 62682; its width is our own choice.
"""

from typing import Final

DEAD_BAND_FRAC: Final = 0.02
"""Low ends this share of the way from the start mark to the full mark."""


def is_low(volume_l: float | None, start_l: float, full_l: float, *, was_low: bool) -> bool | None:
    """Return whether the vessel is low; None while its volume is not known.

    Args:
        volume_l: What it holds (L).
        start_l: Volume at the start mark (L).
        full_l: Volume at the full mark (L).
        was_low: Whether it was low before.
    """
    if volume_l is None:
        return None
    if was_low:
        return volume_l <= start_l + DEAD_BAND_FRAC * (full_l - start_l)
    return volume_l <= start_l
