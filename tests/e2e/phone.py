"""A phone in a keeper's hand: headless Chromium on the hub's page, tapped and typed into.

A tablet on the wall is one too, only wider.
"""

import os
import re
import shutil
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from demo.hub import ROOT
from playwright.async_api import (
    ConsoleMessage,
    Error,
    Locator,
    Page,
    async_playwright,
    expect,
)

PHONE = {"width": 412, "height": 915}
TABLET = {"width": 1280, "height": 800}
NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
# Two slow cores, and the page is compiled on its first visit.
LIMIT_MS = 60_000
PICTURES = ROOT / "build/browser"
# Animations of sheets and dialogs; a tap in the middle of one goes astray.
SETTLE_MS = 700
# Until a form just opened has put the cursor into its first field.
FOCUS_MS = 300
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def chromium() -> str:
    """Return the Chromium of this machine; `script/test` looks for it in the same places.

    Raises:
        FileNotFoundError: there is none.
    """
    named = os.environ.get("STILLWELL_CHROMIUM")
    found = named or next(filter(None, map(shutil.which, NAMES)), None)
    if found is None:
        raise FileNotFoundError("no Chromium; install one, or name it in STILLWELL_CHROMIUM")
    return found


class Phone:
    """What a thumb can do."""

    def __init__(self, page: Page, url: str, pictures: Path) -> None:
        self.page = page
        self.url = url
        self.complaints: list[str] = []
        """What the browser's console holds against a file of ours."""
        page.on("console", self._hear)
        page.on("pageerror", self._hear_error)
        self._folder = pictures
        self.taps = 0
        """Touches of the screen so far; keys of the phone's keyboard are none."""
        self._pictures = 0

    def _hear(self, message: ConsoleMessage) -> None:
        told = f"{message.text} ({message.location.get('url')})"
        if message.type in ("error", "warning") and "stillwell" in told:
            self.complaints.append(told)

    def _hear_error(self, error: Error) -> None:
        if "stillwell" in (told := f"{error.message} {error.stack}"):
            self.complaints.append(told)

    async def visit(self, path: str) -> None:
        """Open a page of the hub; once more if the page itself was still on its way elsewhere."""
        try:
            await self.page.goto(self.url + path)
        except Error as err:
            # A dialog that closes goes back in the page's history, and that ends our visit.
            if "ERR_ABORTED" not in err.message:
                raise
            await self.page.wait_for_timeout(SETTLE_MS)
            await self.page.goto(self.url + path)

    async def follow(self, path: str) -> None:
        """Open a page by tapping a link that leads to it."""
        self.taps += 1
        await self.visit(path)

    async def picture(self, name: str) -> None:
        """Keep what the keeper has before the eyes, to be looked at after the run."""
        await self.page.wait_for_timeout(SETTLE_MS)
        self._pictures += 1
        await self.page.screenshot(path=self._folder / f"{self._pictures:02}-{name}.png")

    async def log_in(self, name: str, password: str) -> None:
        """Fill in the login page."""
        await self.visit("/")
        await self.page.locator("input[name=username]").fill(name)
        await self.page.locator("input[type=password]").fill(password)
        await self.page.keyboard.press("Enter")
        # Its menu button comes with the first page after the login.
        await self.page.locator("home-assistant-main").wait_for()

    def text(self, text: str) -> Locator:
        """Return the topmost of what shows just this text."""
        return self.page.get_by_text(text, exact=True).last

    async def tap(self, target: Locator) -> None:
        """Tap in the middle of something; what lies above it catches the tap, as on a phone."""
        await target.wait_for()
        await self.page.wait_for_timeout(SETTLE_MS)
        await target.scroll_into_view_if_needed()
        box = await target.bounding_box()
        assert box is not None
        self.taps += 1
        await self.page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)

    async def press(self, name: str) -> None:
        """Tap the topmost button of a name."""
        await self.tap(self.page.get_by_role("button", name=name, exact=True).last)

    async def type(self, label: str, text: str) -> None:
        """Type into a text field."""
        await self._enter(self.page.get_by_role("textbox", name=label).last, text)

    async def number(self, label: str, value: float) -> None:
        """Type into a number field."""
        await self._enter(self.page.get_by_role("spinbutton", name=label).last, f"{value:g}")

    async def _enter(self, field: Locator, text: str) -> None:
        """Tap into a field, unless the form has put the cursor there, and type."""
        await field.wait_for()
        await self.page.wait_for_timeout(FOCUS_MS)
        if not await field.evaluate("field => field.matches(':focus')"):
            await self.tap(field)
        await field.fill(text)

    async def choose(self, picker: Locator, text: str) -> None:
        """Open a list and take one of it."""
        await self.tap(picker)
        await self.tap(self.text(text))
        await self.page.wait_for_timeout(SETTLE_MS)

    async def see(self, text: str) -> None:
        """Wait until some text is there."""
        await expect(self.page.get_by_text(text).first).to_be_visible(timeout=LIMIT_MS)

    async def see_gone(self, text: str) -> None:
        """Wait until some text is there no more."""
        await expect(self.page.get_by_text(text, exact=True)).to_have_count(0, timeout=LIMIT_MS)


def _clear(folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)


def warnings_of_ours(log: str) -> list[str]:
    """Return what the hub's log holds against the integration.

    The hub says of every custom integration that it has not tested it. That is left out, and
    must be there: a log in which it is not found was not read.
    """
    level = r"^\S+ \S+ (?:WARNING|ERROR|CRITICAL) .*stillwell.*$"
    told = re.findall(level, log, re.MULTILINE)
    ours = [line for line in told if "homeassistant.loader" not in line]
    assert len(ours) < len(told), "the hub's own word about the integration is not in its log"
    return ours


@asynccontextmanager
async def phone(url: str, pictures: Path = PICTURES, **look: Any) -> AsyncIterator[Phone]:
    """Take a phone into the hand; `look` is what Playwright takes for a page."""
    _clear(pictures)
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=chromium(), args=[*FLAGS])
        page = await browser.new_page(**{"viewport": PHONE} | look)
        page.set_default_timeout(LIMIT_MS)
        try:
            yield Phone(page, url, pictures)
        except BaseException:
            # What the keeper would have before the eyes now.
            await page.screenshot(path=ROOT / "build/browser-failed.png")
            raise
        finally:
            await browser.close()
