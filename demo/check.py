"""One refill and one time-out on the real hub, every value beside what is really there.

The hub's clock is real. Only the supply is quick and the band narrow, so that a refill takes
less than a minute; the tanks draw what they draw every day. Lagoon refills as it should, while
Nursery's supply is throttled and its run takes too long.
"""

import asyncio
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from .hub import HubError, free_port, wait_for
from .lab import CHECK, LIMEWATER, WASTE_RATIO, Tank
from .plant import DAY_S, Plant, Settings
from .stage import Stage, say

SUPPLY_L_PER_MIN = 10.0
THROTTLED = 0.05
LAGOON = Tank(
    "Lagoon",
    450.0,
    CHECK,
    Settings(use_l_per_day=3.0, supply_l_per_min=SUPPLY_L_PER_MIN, sump_cm=19.0),
    ends_at_cm=CHECK.start_cm + 0.6,
)
NURSERY = Tank(
    "Nursery",
    120.0,
    CHECK,
    Settings(use_l_per_day=1.5, supply_l_per_min=SUPPLY_L_PER_MIN, seed=8),
    ends_at_cm=CHECK.start_cm + 0.5,
)
# The rule starts on a tick of 20 s, once the permit has stood for 15 s.
START_LIMIT_S = 60.0
# Two minutes after set-up and one after a step of the level the guard permits the first run.
PERMIT_LIMIT_S = 180.0
# Limewater at room temperature: a handbook's 1.65 g of Ca(OH)2 in a litre at 20 degC and 1.53 g at
# 30 degC, 1.59 g at 25 degC between them; handbooks differ by 6 %. Two OH of 74.093 g/mol, one Ca
# of 40.078 g/mol (atomic weights, IUPAC).
LIMEWATER_MMOL_PER_L = 1.59 / 74.093 * 1000.0
HANDBOOK_FRAC = 0.07
CALCIUM_MG_PER_MMOL = 40.078
DOSING_S = 30.0
# The advised rate rises by 0.2 L/h in an hour: to 5 mL/h in a minute and a half.
CEILING_LIMIT_S = 240.0
# The lab has one time zone; configuration.yaml names it.
ZONE = ZoneInfo("Europe/Berlin")


@dataclass(frozen=True)
class Row:
    """One line of the table: what the hub shows, what is there, how far apart they may be."""

    moment: str
    value: str
    shown: str
    truth: str
    tolerance: str
    is_ok: bool


class Check:
    """Compares one tank with the truth and keeps the rows."""

    def __init__(self, stage: Stage, tank: Tank) -> None:
        self.stage = stage
        self.tank = tank
        self.own = stage.own[tank.key]
        self.rows: list[Row] = []
        self.moment = ""

    async def truth(self, *litres: float) -> dict[str, Any]:
        """Return what is really there."""
        return await self.stage.truth(self.tank, *litres)

    def near(
        self, value: str, shown: str | None, truth: float, tolerance: float, unit: str
    ) -> None:
        """Compare numbers."""
        try:
            is_ok = shown is not None and abs(float(shown) - truth) <= tolerance
        except ValueError:
            is_ok = False
        around = f"±{tolerance:.2g} {unit}"
        self._add(value, f"{shown} {unit}", f"{truth:.2f} {unit}", around, is_ok=is_ok)

    def near_time(self, value: str, shown: str | None, truth_s: float, tolerance_s: float) -> None:
        """Compare instants."""
        try:
            shown_s = datetime.fromisoformat(shown or "").timestamp()
        except ValueError:
            self._add(value, str(shown), _clock(truth_s), _span(tolerance_s), is_ok=False)
            return
        is_ok = abs(shown_s - truth_s) <= tolerance_s
        self._add(value, _clock(shown_s), _clock(truth_s), "±" + _span(tolerance_s), is_ok=is_ok)

    def equal(self, value: str, shown: str | None, truth: str) -> None:
        """Compare words."""
        self._add(value, str(shown), truth, "equal", is_ok=shown == truth)

    def _add(self, value: str, shown: str, truth: str, tolerance: str, *, is_ok: bool) -> None:
        self.rows.append(
            Row(f"{self.tank.name}, {self.moment}", value, shown, truth, tolerance, is_ok)
        )

    async def states(self) -> dict[str, dict[str, Any]]:
        """Return all states of the reservoir: key -> state, from one look."""
        keys = {entity: key for key, entity in self.own.items()}
        every = await self.stage.client.get("/api/states")
        return {keys[s["entity_id"]]: s for s in every if s["entity_id"] in keys}

    async def words(self, **truth: str) -> None:
        """Compare entities that show words."""
        states = await self.states()
        for key, word in truth.items():
            self.equal(key, states[key]["state"], word)


def _clock(t_s: float) -> str:
    return f"{datetime.fromtimestamp(t_s, ZONE):%d %b %H:%M:%S}"


def _span(seconds: float) -> str:
    return f"{seconds / 3600:.1f} h" if seconds > 5400 else f"{seconds:.0f} s"


async def compare_level(check: Check, *, is_filling: bool) -> None:
    """Compare what follows from the level alone."""
    states, truth = await check.states(), await check.truth()
    # While it fills the strip is a report behind, and the level moves by 1 mm in 0.7 s.
    # At rest: two of the strip's steps.
    slack_l = 0.45 if is_filling else 0.18
    volume_l = truth["volume_l"]
    check.near("volume", states["volume"]["state"], volume_l, slack_l, "L")
    usable_l = volume_l - check.tank.litres(CHECK.empty_cm)
    check.near("usable_volume", states["usable_volume"]["state"], usable_l, slack_l, "L")
    full_l = check.tank.litres(CHECK.full_cm)
    fill = states["fill"]["state"]
    check.near("fill", fill, 100 * volume_l / full_l, 100 * slack_l / full_l + 0.1, "%")


async def compare_use(check: Check) -> None:
    """Compare what needs the past: use, what is left of it, and the day's sums."""
    states, truth, tank = await check.states(), await check.truth(), check.tank
    volume_l, per_day_l = truth["volume_l"], truth["use_l_per_day"]
    for key in ("use_per_day", "use_per_day_week", "evaporation_per_day"):
        check.near(key, states[key]["state"], per_day_l, 0.1 * per_day_l, "L/d")
    now_s = time.time()
    to_start_l = volume_l - tank.litres(CHECK.start_cm)
    usable_l = volume_l - tank.litres(CHECK.empty_cm)
    empty_s, start_s = (await check.truth(usable_l, to_start_l))["used_up"]
    for key, truth_s in (("empty_at", empty_s), ("refill_due_at", start_s)):
        # A tenth, and what 0.12 L of doubt about the level are worth in time.
        slack_s = 0.1 * (truth_s - now_s) + 0.12 / per_day_l * DAY_S
        check.near_time(key, states[key]["state"], truth_s, slack_s)
    plant = Plant(tank.plant, now_s)
    used_l = plant.used_l(check.stage.reports[tank.key][0]["t_s"], now_s)
    check.near("total_used", states["total_used"]["state"], used_l, 0.04 * used_l, "L")
    today_l = plant.used_l(midnight_s(now_s), now_s)
    check.near("used_today", states["used_today"]["state"], today_l, 0.1 * today_l + 0.1, "L")


def midnight_s(now_s: float) -> float:
    """Return when the lab's day began."""
    local = datetime.fromtimestamp(now_s, ZONE)
    return local.replace(hour=0, minute=0, second=0, microsecond=0).timestamp()


def added_today_l(check: Check, fills: Iterable[Mapping[str, Any]]) -> float:
    """Return what was really poured since local midnight."""
    since_s = midnight_s(time.time())
    before_l = sum(
        SUPPLY_L_PER_MIN / 60.0 * (after["t_s"] - report["t_s"])
        for report, after in pairwise(check.stage.reports[check.tank.key])
        if report["valve"] and report["t_s"] >= since_s
    )
    return float(before_l + sum(fill["poured_l"] for fill in fills))


async def at_rest(check: Check) -> None:
    """Look at everything before anything happens."""
    await check.stage.client.wait_state(check.own["signal"], "good", 30.0)
    check.moment = "at rest"
    await compare_level(check, is_filling=False)
    await compare_use(check)
    await check.words(
        signal="good",
        signal_reason="none",
        lockout="off",
        lockout_reason="none",
        filling="off",
        fill_rate="unknown",
        full_at="unknown",
        unexplained_loss="off",
    )


async def whole_refill(check: Check) -> None:
    """Let the rule refill the reservoir, and look in the middle and afterwards."""
    client, tank = check.stage.client, check.tank
    check.moment = "filling"
    await client.wait_state(tank.valve, "on", START_LIMIT_S)
    say(f"{tank.name}: the rule has opened the valve")
    middle_cm = (CHECK.start_cm + CHECK.full_cm) / 2 + 0.5

    async def is_half_way() -> bool:
        return bool((await check.truth())["level_cm"] >= middle_cm)

    await wait_for("half way", is_half_way, CHECK.longest_run_s)
    await compare_level(check, is_filling=True)
    states, truth = await check.states(), await check.truth()
    rate_l_per_min = 60.0 * truth["net_l_per_s"]
    rate = states["fill_rate"]["state"]
    check.near("fill_rate", rate, rate_l_per_min, 0.1 * rate_l_per_min, "L/min")
    left_s = (tank.litres(CHECK.full_cm) - truth["volume_l"]) / truth["net_l_per_s"]
    # The entity is written anew when it has moved by 15 s.
    full_s = truth["t_s"] + left_s
    check.near_time("full_at", states["full_at"]["state"], full_s, 18.0 + 0.1 * left_s)
    await check.words(filling="on", lockout="off", permit="on")
    await client.wait_state(tank.valve, "off", CHECK.longest_run_s)
    say(f"{tank.name}: full, the valve is shut")
    await after_refill(check)


async def after_refill(check: Check) -> None:
    """Look at what a whole refill leaves behind."""
    check.moment = "filled"
    filled = await check.truth()
    check.near("level at the stop", f"{filled['level_cm']:.2f}", CHECK.full_cm, 0.6, "cm")
    await check.stage.client.wait_state(check.own["filling"], "off", 60.0)
    await asyncio.sleep(5.0)
    await compare_level(check, is_filling=False)
    states, fill = await check.states(), filled["fills"][-1]
    check.near("last_fill_volume", states["last_fill_volume"]["state"], fill["poured_l"], 0.3, "L")
    took_min = (fill["end_s"] - fill["start_s"]) / 60.0
    shown = states["last_fill_duration"]
    check.equal("last_fill_duration in", shown["attributes"]["unit_of_measurement"], "min")
    check.near("last_fill_duration", shown["state"], took_min, 0.15, "min")
    check.near_time("last_fill_at", states["last_fill_at"]["state"], fill["end_s"], 10.0)
    added_l = added_today_l(check, filled["fills"])
    check.near("added_today", states["added_today"]["state"], added_l, 0.05 * added_l + 0.2, "L")
    per_day_l = filled["use_l_per_day"]
    check.near("use_per_day", states["use_per_day"]["state"], per_day_l, 0.1 * per_day_l, "L/d")
    await check.words(signal="good", lockout="off", fill_rate="unknown", full_at="unknown")


async def time_out(check: Check) -> None:
    """See a run that takes too long through its lockout and out of it."""
    stage, tank, own = check.stage, check.tank, check.own
    client = stage.client
    await client.wait_state(tank.valve, "on", START_LIMIT_S)
    say(f"{tank.name}: the rule has opened the valve; nearly nothing comes")
    check.moment = "too long"
    await client.wait_state(own["lockout"], "on", CHECK.longest_run_s + 30.0)
    say(f"{tank.name}: locked out after the longest run")
    await client.wait_state(tank.valve, "off", 10.0)
    run = (await check.truth())["fills"][-1]
    ran_s = run["end_s"] - run["start_s"]
    check.near("length of the run", f"{ran_s:.1f}", CHECK.longest_run_s, 5.0, "s")
    await check.words(lockout="on", lockout_reason="longest_run", permit="off")
    check.moment = "locked out"
    say(f"{tank.name}: a hand turns the valve on; it must not stay on")
    await client.act("switch.turn_on", tank.valve)
    await stage.hand(tank, "open")
    await wait_for("the valve is shut again", lambda: is_shut(check), 10.0)
    check.equal("valve after a hand's on", "shut" if await is_shut(check) else "open", "shut")
    say(f"{tank.name}: the supply is back, the lockout is reset")
    check.moment = "reset"
    await stage.hand(tank, "supply", share=1.0)
    await client.act("button.press", own["reset"])
    await client.wait_state(own["lockout"], "off", 10.0)
    await compare_level(check, is_filling=False)
    await check.words(lockout="off", lockout_reason="none", signal="good")


async def limewater(check: Check) -> None:
    """See the advice for the sump, then dose for half a minute by hand and see it counted."""
    client, own = check.stage.client, check.stage.sump_own[check.tank.key]
    check.moment = "limewater"

    async def shown(key: str) -> str:
        return str((await client.get(f"/api/states/{own[key]}"))["state"])

    truth = await check.truth()
    sump_l = truth["sump_cm"] * check.tank.plant.sump_footprint_cm2 / 1000.0
    # Two of the strip's steps of 1 mm, 0.24 L each.
    check.near("sump: volume", await shown("sump_volume"), sump_l, 0.48, "L")
    ceiling = LIMEWATER.ceiling_ml_per_h

    async def is_at_ceiling() -> bool:
        return float(await shown("dose_rate")) >= ceiling - 0.5

    await wait_for("the advised dose is at its ceiling", is_at_ceiling, CEILING_LIMIT_S)
    await client.wait_state(own["dose_paused"], "off", 10.0)
    check.near("dose_rate", await shown("dose_rate"), ceiling, 0.5, "mL/h")
    mmol_per_l = ceiling * 24.0 / 1000.0 * LIMEWATER_MMOL_PER_L / check.tank.system_l
    calcium = mmol_per_l * CALCIUM_MG_PER_MMOL
    # The entity moves by 0.05 mg/L.
    slack = 0.05 + HANDBOOK_FRAC * calcium
    check.near("dose_calcium", await shown("dose_calcium"), calcium, slack, "mg/L/d")
    pump = f"switch.{check.tank.key}_limewater_pump"
    await client.act("switch.turn_on", pump)
    await asyncio.sleep(DOSING_S)
    await client.act("switch.turn_off", pump)
    await client.wait_state(pump, "off", 10.0)
    await asyncio.sleep(3.0)
    dosed_ml = (await check.truth())["dosed_ml"]
    for key in ("dosed_today", "dosed_24h"):
        # A valve's travel and a report's way at either end: half a second each.
        check.near(key, await shown(key), dosed_ml, 10.0, "mL")


async def made_water(check: Check) -> None:
    """See what the RO/DI unit made of the whole refill, and what went down its drain."""
    client, own = check.stage.client, check.stage.sump_own[check.tank.key]
    poured_l = (await check.truth())["fills"][-1]["poured_l"]

    async def is_counted() -> bool:
        state = await client.state(own["passed_resin"])
        return state is not None and float(state["state"]) > 0.0

    # The unit looks at a refill that has ended each half a minute.
    await wait_for("the RO/DI unit has counted the refill", is_counted, 60.0)
    # Product, waste in the keeper's ratio, and both together as what comes in (mass balance).
    for key, share in (
        ("passed_sediment", 1.0 + WASTE_RATIO),
        ("passed_membrane", 1.0 + WASTE_RATIO),
        ("passed_resin", 1.0),
        ("waste_water", WASTE_RATIO),
    ):
        shown = (await client.get(f"/api/states/{own[key]}"))["state"]
        # As good as the refill's volume, 0.3 L.
        check.near(f"RO/DI: {key}", shown, share * poured_l, share * 0.3, "L")


async def is_shut(check: Check) -> bool:
    """Return whether the valve is really shut."""
    return not (await check.truth())["is_open"]


async def what_now(check: Check) -> None:
    """Show all there is to see when something did not come about."""
    print(f"\n{check.tank.name}")
    for key, state in sorted((await check.states()).items()):
        print(f"  {key}: {state['state']} {state['attributes'] if key == 'lockout' else ''}")
    log = "/api/services/stillwell/decision_log?return_response"
    print(await check.stage.client.post(log, {"entity_id": check.own["lockout"]}))
    print(await check.truth())


def show(rows: list[Row]) -> bool:
    """Print the table; return whether all agree."""
    titles = ("when", "value", "hub shows", "truth", "tolerance", "")
    lines = [
        (row.moment, row.value, row.shown, row.truth, row.tolerance, "ok" if row.is_ok else "FAIL")
        for row in rows
    ]
    widths = [max(len(line[i]) for line in (titles, *lines)) for i in range(len(titles))]
    for line in (titles, tuple("-" * width for width in widths), *lines):
        print(
            "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
        )
    return all(row.is_ok for row in rows)


async def play(stage: Stage, lagoon: Check, nursery: Check, dosed: Check) -> None:
    """Go through the whole story; `dosed` is Lagoon's sump."""
    say("comparing everything at rest")
    await asyncio.gather(at_rest(lagoon), at_rest(nursery))
    await stage.add_rules()
    say("drawing three litres from each reservoir, and throttling Nursery's supply")
    await stage.hand(NURSERY, "supply", share=THROTTLED)
    for tank in (LAGOON, NURSERY):
        await stage.hand(tank, "draw", litres=3.0)
    say("the guard lets the level settle before it permits a run")
    for check in (lagoon, nursery):
        await stage.client.wait_state(check.own["permit"], "on", PERMIT_LIMIT_S)
    say("permitted")
    await asyncio.gather(whole_refill(lagoon), time_out(nursery), limewater(dosed))
    await made_water(lagoon)
    for check in (lagoon, nursery):
        spilled_l = (await check.truth())["spilled_l"]
        check.near("water on the floor", f"{spilled_l:.2f}", 0.0, 0.0, "L")


async def run_check(folder: Path) -> int:
    """Run, print the table, return the exit code."""
    began_s = time.monotonic()
    failure: HubError | None = None
    checks: list[Check] = []
    stage = Stage(folder, free_port(), (LAGOON, NURSERY), report_every_s=1.0, is_headless=True)
    async with stage:
        try:
            await stage.open()
            checks = [Check(stage, tank) for tank in (LAGOON, NURSERY, LAGOON)]
            await play(stage, *checks)
        except HubError as err:
            failure = err
            for check in checks:
                await what_now(check)
        say("closing")
    rows = [row for check in checks for row in check.rows]
    print(
        f"\nReservoirs refilled between {CHECK.start_cm:g} and {CHECK.full_cm:g} cm"
        f" at {SUPPLY_L_PER_MIN:g} L/min.\n"
    )
    all_agree = show(rows)
    if failure is not None:
        print(f"\nFAILED: {failure}")
        return 1
    count = sum(not row.is_ok for row in rows)
    verdict = "all agree" if all_agree else f"{count} do NOT agree"
    print(f"\n{len(rows)} values, {verdict}; {time.monotonic() - began_s:.0f} s.")
    return 0 if all_agree else 1
