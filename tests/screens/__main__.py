"""`script/screens en,de 412,1280 light,dark`: every screen pictured and read."""

import argparse
import asyncio
import shutil
import sys
from collections.abc import Awaitable, Callable
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any

from demo.hub import ROOT, HubError, free_port
from demo.lab import Tank
from demo.stage import Stage, say
from playwright.async_api import Browser, Error, async_playwright
from tests.e2e.phone import FLAGS, chromium

from . import tour, trouble
from .lab import LAGOON, NURSERY, Lab, configure
from .page import Look, Screen, screen
from .sheets import make_sheets
from .texts import Words, load

FOLDER = ROOT / "build/screens"
LANGUAGES = ("en", "de", "es", "fr", "nl")
CHANGING = ("added", "calibration", "spoilt")
"""Parts that change the lab: one screen after the other."""
PARTS = (
    *CHANGING,
    *("forms", "devices", "entities", "dashboard", "repairs", "blueprints", "actions", "rules"),
)
COLUMNS = {412: 4}
TANKS: tuple[Tank, ...] = (LAGOON, NURSERY)

type Visit = Callable[[Screen], Awaitable[Any]]


def _parse() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="script/screens", description=__doc__)
    parser.add_argument("languages", nargs="?", default="en", help="of en,de,es,fr,nl (en)")
    parser.add_argument("widths", nargs="?", default="412,1280", help="in px (412,1280)")
    parser.add_argument("themes", nargs="?", default="light,dark", help="of light,dark (both)")
    parser.add_argument("--parts", default=",".join(PARTS), help=f"of {','.join(PARTS)}")
    parser.add_argument("--acts", default="well,ill", help="of well,ill: the lab in order, or not")
    parser.add_argument(
        "--few",
        action="store_true",
        help="no refusals; else the first look shows them",
    )
    return parser.parse_args()


def _words(language: str, lab: Lab) -> Words:
    return Words(language, {*lab.parts, *lab.entries})


class Show:
    """One language: its hub, and the screens that look at it."""

    def __init__(self, options: argparse.Namespace, language: str, browser: Browser) -> None:
        self.options = options
        self.browser = browser
        self.language = language
        self.looks = [
            Look(language, int(width), theme)
            for width in options.widths.split(",")
            for theme in options.themes.split(",")
        ]
        self.seen: set[str] = set()
        self.screens: list[Screen] = []

    async def run(self) -> None:
        """Stage the lab, look at it, let it go wrong, and look again."""
        hub = FOLDER / f"hub-{self.language}"
        stage = Stage(hub, free_port(), TANKS, report_every_s=5.0, is_headless=False)
        async with stage:
            configure(stage.hub.config, self.language)
            await stage.open()
            lab = Lab(stage)
            await lab.stage_all()
            async with AsyncExitStack() as stack:
                await self._open(stack, lab)
                if "well" in self.options.acts:
                    await self._well(lab)
                if "ill" in self.options.acts:
                    await self._ill(lab)
                self._tell()

    async def _open(self, stack: AsyncExitStack, lab: Lab) -> None:
        words = _words(self.language, lab)
        for look in self.looks:
            folder = FOLDER / look.name
            shutil.rmtree(folder, ignore_errors=True)
            opened = screen(self.browser, look, lab.client, folder, words)
            self.screens.append(await stack.enter_async_context(opened))

    async def _each(self, part: str, visit: Visit) -> None:
        """Let each screen look at a part; what cannot be shown is told, and the rest goes on."""
        if part not in self.options.parts:
            return

        async def look(one: Screen) -> None:
            say(f"{one.look.name}: {part}")
            try:
                await visit(one)
            except (Error, HubError) as err:
                await one.page.screenshot(path=one.folder / f"failed-{part}.png")
                one.findings.note("not shown", f"{part}: {str(err).splitlines()[0]}", part)
            one.write()

        if part in CHANGING:
            for one in self.screens:
                await look(one)
        else:
            await asyncio.gather(*map(look, self.screens))

    async def _well(self, lab: Lab) -> None:
        async def forms(one: Screen) -> None:
            is_wanted = not self.options.few and one is self.screens[0]
            self.seen |= await tour.forms(one, lab, with_refusals=is_wanted)

        await tour.add_dashboard(lab, self.language)
        await self._each("dashboard", lambda one: tour.dashboard(one, lab))
        await self._each("forms", forms)
        await self._each("added", lambda one: tour.added(one, lab))
        await self._each("devices", lambda one: tour.devices(one, lab))
        await self._each("entities", lambda one: tour.entities(one, lab))
        await self._each("actions", lambda one: tour.actions(one, lab))
        await self._each("rules", lambda one: tour.rules(one, lab))
        if self.language == "en":
            # The hub cannot translate a blueprint.
            await self._each("blueprints", lambda one: tour.blueprints(one, lab))

    async def _ill(self, lab: Lab) -> None:
        say("things go wrong")

        async def pour(one: Screen) -> None:
            await tour.calibration(one, lab, _pour(lab))

        async def spoilt(one: Screen) -> None:
            self.seen |= await tour.spoilt_forms(one, lab)

        await tour.add_dashboard(lab, self.language)
        await self._each("calibration", pour)
        await trouble.change_that_ends_early(lab)
        await trouble.standstill(lab)
        await trouble.go_wrong(lab)
        with trouble.no_folder_for_blueprints(lab.stage.hub.config):
            await self._each("spoilt", spoilt)
        # Meanwhile the rare reports are noticed, too.
        await trouble.lose_water(lab)
        await self._each("repairs", lambda one: tour.repairs(one, lab))
        await self._each("dashboard", lambda one: tour.dashboard(one, lab, "ill dashboard"))
        ill = (
            "Lagoon reservoir",
            lab.line_of("Lagoon reservoir"),
            lab.line_of("Lagoon sump"),
            "Lagoon limewater",
            "Lagoon RO/DI unit",
            "Lagoon water change",
            "Lagoon temperature",
            "Nursery reservoir",
        )
        await self._each("devices", lambda one: tour.devices(one, lab, "ill device", ill))

    def _tell(self) -> None:
        texts = {".".join(path) for path in load("en") if "error" in path}
        kinds = {f"{path.split('.')[1]}.{path.split('.')[-1]}" for path in texts}
        for one in self.screens:
            one.write()
            files = [file for file in one.pictures if file.exists()]
            sheets = make_sheets(files, one.folder, "sheet", COLUMNS.get(one.look.width, 2))
            say(f"{one.look.name}: {len(files)} pictures on {len(sheets)} sheets")
        unseen = sorted(kind for kind in kinds if kind not in self.seen)
        (FOLDER / f"refusals-{self.language}.txt").write_text(
            f"{len(self.seen)} kinds of refusal were shown. Not these:\n" + "\n".join(unseen) + "\n"
        )


def _pour(lab: Lab) -> list[dict[str, Any]]:
    """What the guided calibration is answered: too little at first, then two litres."""

    async def pour() -> None:
        await lab.stage.hand(LAGOON, "pour", litres=2.0)
        await asyncio.sleep(40.0)

    return [
        {"vessel": lab.parts["Lagoon reservoir"]},
        {},
        {"poured": 0.001},
        {"poured": 2.0, "_hook": pour},
    ]


async def _run(options: argparse.Namespace) -> None:
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=chromium(), args=[*FLAGS])
        for language in options.languages.split(","):
            if language not in LANGUAGES:
                raise SystemExit(f"no such language: {language}; there are {', '.join(LANGUAGES)}")
            await Show(options, language, browser).run()
        await browser.close()


def main() -> int:
    """Parse and run."""
    asyncio.run(_run(_parse()))
    say(f"Pictures, sheets and findings.txt lie in {Path(FOLDER).relative_to(ROOT)}/")
    return 0


if __name__ == "__main__":
    sys.exit(main())
