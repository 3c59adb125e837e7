"""Run the lab: `script/demo` for a look around, `script/demo --check` for proof."""

import argparse
import asyncio
import contextlib
import signal
import socket
import sys
from pathlib import Path

from .check import run_check
from .dashboard import add_dashboard
from .hub import RESTART_EXIT_CODE, ROOT, HubError
from .lab import SCHOOL, Tank
from .plant import Settings
from .stage import KEEPER, PASSWORD, Stage, say

TANKS = (
    Tank("Lagoon", 450.0, SCHOOL, Settings(use_l_per_day=3.0, sump_cm=19.0), ends_at_cm=15.0),
    Tank("Nursery", 120.0, SCHOOL, Settings(use_l_per_day=0.9, seed=8), ends_at_cm=22.0),
)


def _parse() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="script/demo", description=__doc__)
    parser.add_argument("--check", action="store_true", help="run headless and compare with truth")
    parser.add_argument("--port", type=int, default=8123, help="port of the hub (8123)")
    return parser.parse_args()


def _is_taken(port: int) -> bool:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return True
    return False


async def show(folder: Path, port: int) -> int:
    """Open the lab and keep it open until Ctrl-C."""
    stopped = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stopped.set)
    stage = Stage(folder, port, TANKS, report_every_s=5.0, is_headless=False)
    async with stage:
        await stage.open()
        await stage.add_rules()
        await add_dashboard(stage.client, TANKS, stage.own)
        print(
            f"\n  The lab is open:  http://127.0.0.1:{port}/marine-lab\n"
            f"  Log in as:        {KEEPER}   password: {PASSWORD}\n"
            f"  Hub's log:        {stage.hub.log}\n"
            "  Without the bench: Settings > Dashboards > Add dashboard > Stillwell\n\n"
            "  Ctrl-C closes it.",
            flush=True,
        )
        while not stopped.is_set():
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stopped.wait(), 1.0)
            if (code := stage.hub.exit_code()) == RESTART_EXIT_CODE:
                say("the hub restarts, as you asked")
                stage.hub.start()
            elif code is not None:
                raise HubError(f"the hub ended with {code}, see {stage.hub.log}")
        say("closing")
    return 0


def main() -> int:
    """Parse and run."""
    options = _parse()
    if options.check:
        work = run_check(ROOT / "build/check")
    elif _is_taken(options.port):
        print(f"Port {options.port} is taken. Try: script/demo --port {options.port + 1}")
        return 2
    else:
        work = show(ROOT / "build/demo", options.port)
    try:
        return asyncio.run(work)
    except HubError as err:
        print(f"\nFAILED: {err}", file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main())
