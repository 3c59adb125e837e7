"""With how many seeds a scenario is simulated: with more where a target is held against it."""

from truth import SCENARIOS

FIRST = 101
FEW = {"every1s": 3, "fast10": 10}
"""Seconds of readings are many; these take longer than all others together."""


def seeds_of(name, seeds, first=FIRST):
    """Return the seeds of a scenario: `seeds`, twice as many for the bench's own six."""
    wanted = 2 * seeds if name in SCENARIOS else seeds
    return range(first, first + min(wanted, FEW.get(name, wanted)))
