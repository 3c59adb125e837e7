"""The hub's page in one language, width and theme: opened, pictured, read."""

import json
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from demo.hub import HubClient
from playwright.async_api import Browser, Error, Page, Route

from .sheets import squeeze
from .texts import Words

READER: Final = Path(__file__).with_name("reader.js").read_text()
# Higher than a screen is, so that nearly everything is there without scrolling; empty stretches
# are taken out of the pictures.
HEIGHTS: Final = {412: 1400, 1280: 1100}
USUAL_HEIGHT: Final = 1200
HIGHEST: Final = 12_000
AROUND: Final = 110
"""What is shown above and below an alert, px."""
LIMIT_MS: Final = 60_000
FIND: Final = """name => {
  const search = (root) => {
    for (const node of root.querySelectorAll("*")) {
      if (node.localName === name) return node;
      const inner = node.shadowRoot && search(node.shadowRoot);
      if (inner) return inner;
    }
    return null;
  };
  return search(document);
}"""
IS_READY: Final = f"""() => {{
  const find = {FIND};
  return !document.getElementById("ha-launch-screen") && find("partial-panel-resolver")
    && !find("hass-loading-screen") && !find("ha-launch-screen");
}}"""
# A dialog that is open for one form takes the next step of it, as after a tap on its button.
OPENED: Final = f"path => {{ ({FIND})('dialog-data-entry-flow').openedFor = path; }}"
NEXT_STEP: Final = f"""async ([path, step]) => {{
  const dialog = ({FIND})("dialog-data-entry-flow");
  if (!dialog?._params || dialog.openedFor !== path) return false;
  dialog._step = undefined;
  await dialog.updateComplete;
  dialog._step = step;
  return true;
}}"""
IS_CLOSED: Final = f"() => !({FIND})('dialog-data-entry-flow')?._params"
STEPS: Final = ", ".join(f"step-flow-{kind}" for kind in ("form", "menu", "abort", "create-entry"))
OPEN_PANELS: Final = """() => {
  const open = (root) => {
    for (const node of root.querySelectorAll("*")) {
      if (node.localName === "ha-expansion-panel") node.expanded = true;
      if (node.shadowRoot) open(node.shadowRoot);
    }
  };
  open(document);
}"""


@dataclass(frozen=True, slots=True)
class Look:
    """A language, a width in px, and the theme."""

    language: str
    width: int
    theme: str

    @property
    def name(self) -> str:
        """The name of its folder."""
        return f"{self.language}-{self.width}-{self.theme}"

    @property
    def height(self) -> int:
        """Height of the screen, px."""
        return HEIGHTS.get(self.width, USUAL_HEIGHT)


@dataclass
class Findings:
    """What was read that should not be, and where."""

    words: Words
    found: dict[tuple[str, str], list[str]] = field(default_factory=dict)

    def note(self, kind: str, told: str, where: str) -> None:
        """Note something; the same on several screens is told once."""
        places = self.found.setdefault((kind, told), [])
        if where not in places:
            places.append(where)

    def read(self, seen: dict[str, Any], where: str) -> None:
        """Judge what the reader saw on a screen."""
        for one in seen["texts"]:
            text = one["text"]
            whose = "ours" if self.words.are_ours(text) else "host"
            for told in filter(None, (one["cut"], one["outside"])):
                self.note(f"cut ({whose})", f"{text!r} {told}", where)
            if fault := self.words.fault(text):
                self.note(fault, repr(text), where)
        for one, other in seen["overlaps"]:
            both = self.words.are_ours(one) or self.words.are_ours(other)
            self.note(f"overlap ({'ours' if both else 'host'})", f"{one!r} and {other!r}", where)

    def text(self) -> str:
        """Return all of it as lines."""
        lines = []
        for (kind, told), places in sorted(self.found.items()):
            more = f" and {len(places) - 3} more" if len(places) > 3 else ""
            lines.append(f"{kind}: {told}\n    {', '.join(places[:3])}{more}")
        return "\n".join(lines) + "\n"


class Screen:
    """One page that looks at one thing after the other."""

    def __init__(self, page: Page, look: Look, url: str, folder: Path, words: Words) -> None:
        self.page = page
        self.look = look
        self.url = url
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.findings = Findings(words)
        self.pictures: list[Path] = []

    async def visit(self, path: str, wait_ms: int = 900) -> None:
        """Open a page of the hub."""
        await self._fit(self.look.height)
        try:
            await self.page.goto(self.url + path)
        except Error as err:
            if "ERR_ABORTED" not in err.message:
                raise
            await self.page.goto(self.url + path)
        await self.page.locator("home-assistant-main").wait_for()
        await self.page.wait_for_function(IS_READY)
        await self.rest(wait_ms)

    async def go(self, path: str, wait_ms: int = 1200) -> None:
        """Open a page of the hub without loading the whole page anew."""
        await self._fit(self.look.height)
        await self.page.evaluate(
            """path => {
              history.pushState(null, "", path);
              window.dispatchEvent(new CustomEvent("location-changed", {detail: {replace: false}}));
            }""",
            path,
        )
        await self.page.wait_for_function(IS_READY)
        await self.rest(wait_ms)

    async def rest(self, wait_ms: int) -> None:
        """Let the page come to rest."""
        await self.page.wait_for_timeout(wait_ms)

    async def _fit(self, height: int) -> None:
        size = self.page.viewport_size
        if size is None or size["height"] != height:
            await self.page.set_viewport_size({"width": self.look.width, "height": height})

    async def take(self, name: str, *, whole: bool = True, of: str = "page") -> None:
        """Picture what is there, made as high as it asks for, and read it.

        Of a dialog nothing but itself, of an alert its surroundings.
        """
        seen = await self.page.evaluate(READER)
        height = self.look.height + (seen["more"] if whole else 0)
        if height > self.look.height:
            await self._fit(min(height, HIGHEST))
            await self.rest(350)
            seen = await self.page.evaluate(READER)
        self.findings.read(seen, name)
        stem = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")
        file = self.folder / f"{stem}.png"
        await self.page.screenshot(path=file, clip=self._clip(seen, of))
        squeeze(file)
        self.pictures.append(file)
        await self._fit(self.look.height)

    def _clip(self, seen: dict[str, Any], of: str) -> Any:
        size = self.page.viewport_size
        box = seen["alert"] if of == "alert" else seen["dialog"]
        if of == "page" or box is None or size is None:
            return None
        top, bottom = box["y"], box["y"] + box["height"]
        if of == "alert":
            top, bottom = top - AROUND, bottom + AROUND
            box = seen["dialog"] or box
        left, top = max(0.0, box["x"]), max(0.0, top)
        right = min(float(size["width"]), box["x"] + box["width"])
        bottom = min(float(size["height"]), bottom)
        return {"x": left, "y": top, "width": right - left, "height": bottom - top}

    def write(self) -> None:
        """Write down what was found so far."""
        (self.folder / "findings.txt").write_text(self.findings.text())

    async def open_panels(self) -> None:
        """Unfold what is folded."""
        await self.page.evaluate(OPEN_PANELS)
        await self.rest(350)

    async def open_flow(self, path: str, step: dict[str, Any], opener: str, *args: Any) -> None:
        """Let the page open a form that the hub has brought to a step already.

        The page asks the hub to begin a form; what it is answered is the step as the hub gave it.
        """

        async def answer(route: Route) -> None:
            if route.request.method == "POST":
                await route.fulfill(json=step)
            elif route.request.method == "DELETE":
                await route.fulfill(json={"message": "Flow aborted"})
            else:
                await route.fallback()

        if await self.page.evaluate(NEXT_STEP, [path, step]):
            await self.rest(300)
            return
        pattern = re.compile(re.escape(path) + r"(/[^/]*)?$")
        await self.page.route(pattern, answer)
        try:
            await self.page.evaluate(opener, [*args])
            dialog = self.page.locator("dialog-data-entry-flow")
            await dialog.locator(STEPS).first.wait_for(state="attached")
            await self.page.evaluate(OPENED, path)
            await self.rest(400)
        finally:
            await self.page.unroute(pattern)

    async def close_flow(self) -> None:
        """Close the form's dialog in the page; the hub's own form stays as it is."""
        await self.page.evaluate(
            f"""() => {{
              const dialog = ({FIND})("dialog-data-entry-flow");
              if (!dialog) return;
              dialog._params = {{...dialog._params,
                flowConfig: {{...dialog._params?.flowConfig, deleteFlow: () => undefined}}}};
              dialog.closeDialog();
            }}"""
        )
        await self.page.wait_for_function(IS_CLOSED)
        await self.rest(150)


@asynccontextmanager
async def screen(
    browser: Browser, look: Look, hub: HubClient, folder: Path, words: Words
) -> AsyncIterator[Screen]:
    """Open the hub's page as the keeper, logged in."""
    context = await browser.new_context(
        viewport={"width": look.width, "height": look.height},
        color_scheme="dark" if look.theme == "dark" else "light",
        locale={"en": "en-GB"}.get(look.language, f"{look.language}-{look.language.upper()}"),
        reduced_motion="reduce",
        timezone_id="Europe/Berlin",
        is_mobile=False,
    )
    tokens = {
        "access_token": hub.token,
        "token_type": "Bearer",
        "expires_in": 1_000_000,
        "expires": 9_999_999_999_999,
        "refresh_token": "",
        "hassUrl": hub.url,
        "clientId": f"{hub.url}/",
    }
    stored = {"hassTokens": json.dumps(tokens), "selectedLanguage": json.dumps(look.language)}
    await context.add_init_script(
        f"for (const [k, v] of Object.entries({json.dumps(stored)})) localStorage.setItem(k, v);"
    )
    page = await context.new_page()
    page.set_default_timeout(LIMIT_MS)
    try:
        yield Screen(page, look, hub.url, folder, words)
    finally:
        await context.close()
