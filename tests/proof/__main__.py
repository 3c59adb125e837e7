"""Runs the whole proof and writes docs/proof.md: ``python -m tests.proof``."""

import argparse
import sys
import time
from multiprocessing import get_context

from .engine_alone import ROOT, engine_alone

engine_alone()

from . import campaign  # noqa: E402 - after engine_alone
from .explore import SLICES, Finding, explore  # noqa: E402
from .mutations import MUTATIONS, caught_by  # noqa: E402
from .page import Proof, hub_part_of, page  # noqa: E402

PAGE = ROOT / "docs" / "proof.md"


def _explored(number: int) -> Finding:
    return explore(SLICES[number])


def _mutated(number: int) -> tuple[str, str | None]:
    mutation = MUTATIONS[number]
    return mutation.name, caught_by(mutation)


def _progress(done: campaign.Campaign) -> str:
    latest = f"; the latest: {done.violations[-1]}" if done.violations else ""
    return f"  {done.days} fill-days, {len(done.violations)} violations{latest}"


def main() -> int:
    """Run every part; return 0 only if nothing was violated and every mutation was caught."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=100_000, help="fill-days of the campaign")
    parser.add_argument("--seed", type=int, default=campaign.SEED)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--dry", action="store_true", help="do not write docs/proof.md")
    parser.add_argument("--quick", action="store_true", help="a taste: 2,000 days, not written")
    chosen = parser.parse_args()
    if chosen.quick:
        chosen.days, chosen.dry = 2000, True
    proof = Proof(seed=chosen.seed)
    began = time.monotonic()

    def say(text: str) -> None:
        print(f"{time.monotonic() - began:6.0f} s  {text}", flush=True)  # noqa: T201

    with get_context("fork").Pool(chosen.processes, maxtasksperchild=1) as pool:
        say("exploring the guard's states")
        for finding in pool.imap(_explored, range(len(SLICES))):
            proof.findings.append(finding)
            say(f"  {finding.name}: {finding.states} states, {len(finding.broken)} broken")
        say("planting faults in the guard")
        for name, how in pool.imap(_mutated, range(len(MUTATIONS))):
            proof.mutations.append((name, how))
            say(f"  {name}: {'caught' if how else 'NOT CAUGHT'}")
    say(f"playing {chosen.days} fill-days, seed {chosen.seed}")
    proof.campaign = campaign.run(
        chosen.days,
        chosen.seed,
        chosen.processes,
        lambda done: say(_progress(done)),
    )
    if not chosen.dry:
        earlier = PAGE.read_text(encoding="utf-8") if PAGE.exists() else ""
        PAGE.write_text(page(proof, hub_part_of(earlier)), encoding="utf-8")
        say(f"wrote {PAGE.relative_to(ROOT)}")
    for line in proof.failures[:40]:
        say(f"VIOLATION {line}")
    say("0 violations" if not proof.failures else f"{len(proof.failures)} violations")
    return 1 if proof.failures else 0


if __name__ == "__main__":
    sys.exit(main())
