"""A real browser for tests of pages: Debian's Chromium, driven by Playwright. Skips, saying so, where there is none."""

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

AXE = "AXE_CORE"  # names the file axe.min.js of the npm package axe-core, which .ci/run fetches


@contextmanager
def chromium() -> Iterator:
    """A browser; pages are opened by `Visit`."""
    driver = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.skip("no chromium: apt-get install chromium")
    with driver.sync_playwright() as started:
        # As root, as in a container, Chromium has no sandbox of its own.
        sandbox = [] if os.getuid() else ["--no-sandbox"]
        browser = started.chromium.launch(executable_path=program, args=sandbox)
        yield browser
        browser.close()


class Visit:
    """A page that was opened from the disk, and all that it said and asked for."""

    def __init__(self, browser, file: Path, *, wide: int = 1440, high: int = 1000, **how):
        self.page = browser.new_page(viewport={"width": wide, "height": high}, **how)
        self.said: list[str] = []
        self.asked_for: list[str] = []
        self.page.on("console", lambda message: self.said.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.said.append(f"error: {error}"))
        self.page.on("request", lambda request: self.asked_for.append(request.url))
        self.page.goto(file.as_uri())

    def open(self, folder: str, tier: str = "") -> None:
        """Open a field, and wait for its spread."""
        self.page.evaluate("hash => { location.hash = hash; }", f"#{folder}/{tier}" if tier else f"#{folder}")
        wanted = f"view?.said.folder === {json.dumps(folder)}" + (f" && tierId() === {json.dumps(tier)}" if tier else "")
        self.until(wanted)
        self.wait()

    def wait(self) -> None:
        """Wait until the draws of what is asked are done."""
        self.page.wait_for_selector("#answer[data-draws]:not([data-draws=''])", timeout=60_000)

    def until(self, so: str) -> None:
        """Wait until an expression is true; asked from outside, as the page's policy lets it evaluate none by itself."""
        for _ in range(200):
            if self.page.evaluate(so):
                return
            self.page.wait_for_timeout(50)
        raise AssertionError(f"not so within ten seconds: {so}")

    def answer(self) -> dict[str, float]:
        """What the page says now: share, p10 and p90, and what for, in metres."""
        self.wait()
        said = self.page.evaluate("({...document.getElementById('answer').dataset})")
        return {name: float(value) for name, value in said.items()}

    def slide(self, name: str, value: float) -> None:
        """Put a slider where a hand would."""
        self.page.evaluate(
            "([id, value]) => { const one = document.getElementById(id); one.value = value; "
            "one.dispatchEvent(new Event('input', { bubbles: true })); }",
            [f"ask-{name}", value],
        )


@pytest.fixture(scope="module")
def browser():
    with chromium() as one:
        yield one
