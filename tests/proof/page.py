"""The page docs/proof.md, made from what the proof has found."""

from collections.abc import Iterator
from dataclasses import dataclass, field

from .campaign import (
    NO_FAULT,
    PAIR,
    PAIR_NO_LAYER,
    PAIRS,
    Campaign,
    Tally,
)
from .day import FAULTS
from .explore import Finding
from .invariants import INVARIANTS

HUB_BEGIN = "<!-- hub part: begin -->"
HUB_END = "<!-- hub part: end -->"
"""The part about the real hub stands between these marks; it is written by its own run."""


@dataclass(slots=True)
class Proof:
    """Everything the proof has found."""

    seed: int
    findings: list[Finding] = field(default_factory=list)
    mutations: list[tuple[str, str | None]] = field(default_factory=list)
    campaign: Campaign = field(default_factory=Campaign)

    @property
    def failures(self) -> list[str]:
        """Everything that must not be."""
        return [
            *(
                f"{f.name}: {name}: {case}"
                for f in self.findings
                for name, case in f.broken.items()
            ),
            *(f"{f.name}: did not close" for f in self.findings if not f.closed),
            *(f"mutation not caught: {name}" for name, how in self.mutations if how is None),
            *self.campaign.violations,
        ]


def page(proof: Proof, hub_part: str = "") -> str:
    """Return the page."""
    lines = [*_head(proof), *_exploration(proof), *_days(proof), *_mutations(proof)]
    lines += ["## The real hub", "", HUB_BEGIN, *([hub_part] if hub_part else []), HUB_END, ""]
    return "\n".join((*lines, *_limits()))


def hub_part_of(text: str) -> str:
    """Return what stands between the marks of an earlier page, to be kept."""
    if HUB_BEGIN not in text or HUB_END not in text:
        return ""
    return text.split(HUB_BEGIN, 1)[1].split(HUB_END, 1)[0].strip("\n")


def _head(proof: Proof) -> Iterator[str]:
    states = sum(finding.states for finding in proof.findings)
    transitions = sum(finding.transitions for finding in proof.findings)
    caught = sum(how is not None for _, how in proof.mutations)
    failures = len(proof.failures)
    yield "# Proof of the guard"
    yield ""
    yield "Written by `script/prove`; do not edit by hand. Software is never the only layer: an"
    yield "independent float valve, an overflow to a drain, an air gap and a fused supply with"
    yield "residual-current protection must hold alone. Mains near water and plumbing belong to"
    yield "licensed trades and local codes."
    yield ""
    yield "| part | counted | result |"
    yield "| --- | --- | --- |"
    yield f"| exploration | {states} states, {transitions} transitions | {_said(proof)} |"
    yield (
        f"| campaign | {proof.campaign.days} fill-days, seed {proof.seed} | "
        f"{len(proof.campaign.violations)} violations |"
    )
    yield f"| planted faults | {len(proof.mutations)} | {caught} caught |"
    yield f"| all | | **{failures} violations** |"
    yield ""


def _said(proof: Proof) -> str:
    broken = sum(len(finding.broken) for finding in proof.findings)
    closed = sum(finding.closed for finding in proof.findings)
    return f"{broken} invariants broken, {closed} of {len(proof.findings)} slices closed"


def _exploration(proof: Proof) -> Iterator[str]:
    yield "## Exploration"
    yield ""
    yield "The real guard, every event of a slice from every state reached, until no new state"
    yield "appears. Time goes on a grid of a minute; slow clocks (pauses within the hour, the day's"
    yield "budget, the grace after a start) may end at any moment. After every event:"
    yield ""
    yield from (
        f"- `{predicate.__name__}`: {(predicate.__doc__ or '').strip()}" for predicate in INVARIANTS
    )
    yield "- `an_off_is_one_step_away`: from every state an OFF is reachable in one step."
    yield ""
    yield "| slice | states | transitions | illegal pairs raised | closed | broken |"
    yield "| --- | ---: | ---: | ---: | --- | --- |"
    for finding in proof.findings:
        broken = ", ".join(finding.broken) or "none"
        yield (
            f"| {finding.name} | {finding.states} | {finding.transitions} | {finding.illegal} | "
            f"{'yes' if finding.closed else 'no'} | {broken} |"
        )
    yield ""


def _days(proof: Proof) -> Iterator[str]:
    done = proof.campaign
    yield "## Campaign"
    yield ""
    yield "A fill-day begins a quarter of an hour before the refill is due and ends half an hour"
    yield "after all is quiet; the hours in which nothing moves are not played. Plant, sensors and"
    yield "faults are simulated by equations of their own (`tests/simulator/plant.py`), lines are"
    yield "drawn anew each day (15 to 80 L, reports each 30 to 300 s, half of them pumps with a"
    yield "source). Three in five faults begin within a run."
    yield ""
    yield f"Seed {proof.seed}; day *n* is played by `campaign.play(seed, n)`."
    yield f"{len(done.pairs_seen)} of {len(PAIRS)} pairs of faults were played; every invariant"
    yield f"was checked at every event on {done.watched} of the days."
    yield ""
    yield "Where water stops coming though source and contacts look right (hose off, intake"
    yield "blocked) only *no rise* is left. By the guard's rule it takes at most two watches of a"
    yield "window and a report each, and two reports of lag; a third watch takes noise of three"
    yield f"standard deviations, seen on {done.slow_verdicts} days. More than three counts as a"
    yield "violation."
    yield ""
    yield from _rows(done)
    yield ""


def _rows(done: Campaign) -> Iterator[str]:
    yield (
        "| fault | days | starts | over the brim, L | beside the hose, most L | dry, most s | "
        "starts while invalid | alarm, latest s | lockouts |"
    )
    yield "| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | --- |"
    for kind in (NO_FAULT, *FAULTS, PAIR, PAIR_NO_LAYER):
        tally = done.tallies.get(kind)
        if tally is not None:
            yield _row(kind, tally)


def _row(kind: str, tally: Tally) -> str:
    alarm = max(tally.latest_stuck_alarm_s, tally.latest_flow_alarm_s)
    trips = ", ".join(f"{name} {count}" for name, count in tally.trips.most_common(3))
    spilled = f"{tally.most_spilled_l:.1f} on {tally.spilled_days}" if tally.spilled_days else "0"
    return (
        f"| {kind} | {tally.days} | {tally.starts} | {spilled} | {tally.most_floor_l:.1f} | "
        f"{tally.most_dry_s:.0f} | {tally.invalid_starts} | {alarm:.0f} | {trips} |"
    )


def _mutations(proof: Proof) -> Iterator[str]:
    yield "## Planted faults"
    yield ""
    yield "Each is planted in the running guard, and the same proof must find it."
    yield ""
    yield "| planted | first caught by |"
    yield "| --- | --- |"
    for name, how in proof.mutations:
        yield f"| {name} | {how or '**not caught**'} |"
    yield ""


def _limits() -> tuple[str, ...]:
    return (
        "## What software cannot do",
        "",
        "- A welded relay, a valve that seeps, a device nobody can reach, a hub that is down, and",
        "  a rival that switches on again and again: no command stops that water. The float valve",
        "  does; where the source runs out meanwhile, a pump runs dry unless its own protection",
        "  stops it. The guard closes the second shut-off where one is given and raises a critical",
        "  alarm: 60 s after an OFF that is not confirmed; for a valve that says *off* while water",
        "  comes, after two windows of rise.",
        "- A hose that came off, a blocked intake: found by *no rise* after a window and a report,",
        "  with noise after two, once in a thousand three. Until then the water stands beside the",
        "  hose, or the pump turns dry.",
        "- When the float valve has failed as well, the rows above say what runs over.",
        "- One line at its vessel is proved here. What other lines at the same vessel bring or",
        "  take makes *no rise* and *rises while off* wait (`tests/engine/test_guard.py`); the",
        "  limits of a run hold as before.",
        "",
    )
