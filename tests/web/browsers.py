"""A headless browser that looks at the pages, on a desk's screen or a phone's."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

selenium = pytest.importorskip("selenium", reason="selenium is not installed: no browser tests")

from selenium import webdriver  # noqa: E402
from selenium.webdriver.chrome.service import Service  # noqa: E402
from selenium.webdriver.common.by import By  # noqa: E402
from selenium.webdriver.remote.webelement import WebElement  # noqa: E402
from selenium.webdriver.support.ui import WebDriverWait  # noqa: E402

CHROMIUM = (
    os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
)
DRIVER = os.environ.get("CHROMEDRIVER") or shutil.which("chromedriver")
AXE = Path(__file__).parent / "axe" / "axe.min.js"
SIZES = {"desk": (1440, 900), "phone": (360, 740)}
SECONDS = 20
ARGUMENTS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
    "--ignore-gpu-blocklist",
    "--force-prefers-reduced-motion",
)
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
RUN_AXE = """
const done = arguments[arguments.length - 1];
axe.run(document, {runOnly: arguments[0], resultTypes: ["violations"]})
  .then((found) => done(found.violations.map((v) =>
    `${v.id}: ${v.help} (${v.nodes.map((n) => n.target.join(" ") + " " + (n.any[0]?.message ?? "")).slice(0, 3).join(" | ")})`)))
  .catch((error) => done([`axe did not run: ${error}`]));
"""  # noqa: E501


class Screen:
    """A browser with what tests ask of it."""

    def __init__(self, driver: Any, address: str, size: str) -> None:
        self.driver = driver
        self.address = address
        self.width, self.height = SIZES[size]
        self.phone = size == "phone"

    def open(self, path: str) -> None:
        self.driver.get(self.address + path)

    def one(self, selector: str) -> WebElement:
        return self.driver.find_element(By.CSS_SELECTOR, selector)

    def all(self, selector: str) -> list[WebElement]:
        return self.driver.find_elements(By.CSS_SELECTOR, selector)

    def text(self, selector: str = "main") -> str:
        return str(
            self.driver.execute_script(
                "return document.querySelector(arguments[0])?.innerText ?? ''", selector
            )
        ).replace("\u00a0", " ")

    def click(self, selector: str) -> None:
        """Click in the middle of the screen, away from bars that stay where they are.

        A page that is just being replaced is asked again: its elements belong to no document.
        """
        self.until(self._ready, f"page for {selector}")
        try:
            self.press(self.one(selector))
        except selenium.common.WebDriverException as error:
            stale = isinstance(error, selenium.common.StaleElementReferenceException)
            if not stale and "does not belong to the document" not in str(error):
                raise
            self.press(self.one(selector))

    def _ready(self) -> bool:
        return bool(self.driver.execute_script("return document.readyState === 'complete'"))

    def press(self, element: WebElement) -> None:
        self.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", element)
        element.click()

    def type(self, selector: str, text: str) -> None:
        field = self.one(selector)
        self.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", field)
        field.clear()
        field.send_keys(text)

    def until(self, true: Callable[[], Any], what: str, seconds: float = SECONDS) -> Any:
        wait = WebDriverWait(
            self.driver, seconds, 0.05, ignored_exceptions=[selenium.common.WebDriverException]
        )
        return wait.until(lambda _: true(), f"waited {seconds} s: {what}")

    def offline(self, is_off: bool) -> None:
        speed = 50_000_000
        self.driver.set_network_conditions(offline=is_off, latency=0, throughput=speed)

    def dark(self, is_dark: bool) -> None:
        features = [{"name": "prefers-color-scheme", "value": "dark" if is_dark else "light"}]
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})

    def faults(self) -> list[str]:
        """What the browser complained of since it was asked last."""
        return [
            entry["message"]
            for entry in self.driver.get_log("browser")
            if entry["level"] == "SEVERE"
        ]

    def barriers(self, *rules: str) -> list[str]:
        """What axe-core finds against WCAG 2.2, levels A and AA, or against a few rules of it."""
        if not self.driver.execute_script("return typeof axe !== 'undefined'"):
            self.driver.execute_script(AXE.read_text(encoding="utf-8"))
        only = {"type": "rule", "values": rules} if rules else {"type": "tag", "values": RULES}
        return list(self.driver.execute_async_script(RUN_AXE, only))

    def overflow(self) -> int:
        """By how many pixels the page is wider than the screen."""
        wide = self.driver.execute_script("return document.documentElement.scrollWidth")
        return int(wide) - self.width

    def picture(self, name: str) -> None:
        """Keep a picture where someone wants to look at it: SPREADPLAN_PICTURES=folder."""
        folder = os.environ.get("SPREADPLAN_PICTURES")
        if folder:
            Path(folder).mkdir(parents=True, exist_ok=True)
            self.driver.save_screenshot(str(Path(folder) / f"{name}-{self.width}.png"))


@contextmanager
def screen(address: str, size: str) -> Iterator[Screen]:
    """A browser of its own, with nothing remembered."""
    if not (CHROMIUM and DRIVER):
        pytest.skip("chromium or chromedriver is not installed: no browser tests")
    width, height = SIZES[size]
    with TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        options = webdriver.ChromeOptions()
        options.binary_location = CHROMIUM
        for argument in (
            *ARGUMENTS,
            f"--user-data-dir={profile}",
            f"--window-size={width},{height}",
        ):
            options.add_argument(argument)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        driver = webdriver.Chrome(options, Service(DRIVER))
        try:
            driver.set_script_timeout(SECONDS)
            driver.execute_cdp_cmd(
                "Emulation.setDeviceMetricsOverride",
                {
                    "width": width,
                    "height": height,
                    "deviceScaleFactor": 1,
                    "mobile": size == "phone",
                },
            )
            yield Screen(driver, address, size)
        finally:
            driver.quit()
