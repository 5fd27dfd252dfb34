"""A browser for tests: headless Chromium driven by the W3C WebDriver protocol, nothing but the standard library."""

from __future__ import annotations

import base64
import contextlib
import json
import shutil
import socket
import subprocess
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

_ELEMENT = "element-6066-11e4-a52e-4f735466cecf"  # the protocol's own name for an element
_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--use-gl=angle",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
)


def why_no_browser() -> str:
    """Why there is no browser on this machine to test with, or ''."""
    for name in ("chromium", "chromedriver"):
        if shutil.which(name) is None:
            return f"{name} is not installed on this machine"
    return ""


class Browser:
    """One session with one page."""

    def __init__(self, port: int, session: str) -> None:
        self._at = f"http://127.0.0.1:{port}/session/{session}"

    def _ask(self, method: str, path: str, body: dict[str, Any] | None = None) -> Any:
        return _ask(method, self._at + path, body)

    def open(self, path: Path) -> None:
        self._ask("POST", "/url", {"url": path.resolve().as_uri()})

    def run(self, script: str, *arguments: Any) -> Any:
        """The value that a script in the page returns."""
        return self._ask("POST", "/execute/sync", {"script": script, "args": list(arguments)})

    def find(self, selector: str) -> str:
        return self._ask("POST", "/element", {"using": "css selector", "value": selector})[_ELEMENT]

    def click(self, selector: str) -> None:
        """A real click in the middle of an element, scrolled into view."""
        self._ask("POST", f"/element/{self.find(selector)}/click", {})

    def type(self, selector: str, keys: str) -> None:
        self._ask("POST", f"/element/{self.find(selector)}/value", {"text": keys})

    def drag(self, selector: str, by: tuple[int, int], kind: str = "mouse") -> None:
        """Press in the middle of an element, move, let go. kind : mouse or touch."""
        origin = {_ELEMENT: self.find(selector)}
        moves = [
            {"type": "pointerMove", "duration": 0, "x": 0, "y": 0, "origin": origin},
            {"type": "pointerDown", "button": 0},
            {"type": "pointerMove", "duration": 120, "x": by[0], "y": by[1], "origin": "pointer"},
            {"type": "pointerUp", "button": 0},
        ]
        pointer = {"type": "pointer", "id": kind, "parameters": {"pointerType": kind}, "actions": moves}
        self._ask("POST", "/actions", {"actions": [pointer]})

    def picture(self) -> bytes:
        """PNG of what is seen."""
        return base64.b64decode(self._ask("GET", "/screenshot"))

    def size(self, width: int, height: int) -> None:
        """Size of the page itself, by the browser's device emulation."""
        self._ask(
            "POST",
            "/goog/cdp/execute",
            {
                "cmd": "Emulation.setDeviceMetricsOverride",
                "params": {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 800},
            },
        )

    def complaints(self) -> list[str]:
        """What the console took exception to since it was last asked."""
        found = self._ask("POST", "/se/log", {"type": "browser"})
        return [entry["message"] for entry in found if entry["level"] in ("SEVERE", "WARNING")]

    def wait_for(self, condition: str, seconds: float = 60.0) -> Any:
        """Wait until a script's value is true; raises TimeoutError."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            value = self.run(f"return {condition}")
            if value:
                return value
            time.sleep(0.1)
        raise TimeoutError(condition)

    def close(self) -> None:
        self._ask("DELETE", "")


def _ask(method: str, url: str, body: dict[str, Any] | None) -> Any:
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(url, data, {"Content-Type": "application/json"}, method=method)
    try:
        with urllib.request.urlopen(request, timeout=120) as answer:
            return json.load(answer)["value"]
    except urllib.error.HTTPError as error:
        raise RuntimeError(json.load(error)["value"]["message"]) from None


def _free_port() -> int:
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        return held.getsockname()[1]


@contextlib.contextmanager
def browser(width: int = 1280, height: int = 800, flags: tuple[str, ...] = ()) -> Iterator[Browser]:
    """A headless browser with a profile of its own, closed and cleared away at the end."""
    port = _free_port()
    with tempfile.TemporaryDirectory(prefix="browser-", ignore_cleanup_errors=True) as profile:
        driver = subprocess.Popen(
            ["chromedriver", f"--port={port}"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            _wait_for_driver(port)
            options = {
                "binary": shutil.which("chromium"),
                "args": [*_FLAGS, *flags, f"--user-data-dir={profile}", f"--window-size={width},{height}"],
            }
            wanted = {"alwaysMatch": {"goog:chromeOptions": options, "goog:loggingPrefs": {"browser": "ALL"}}}
            made = _ask("POST", f"http://127.0.0.1:{port}/session", {"capabilities": wanted})
            page = Browser(port, made["sessionId"])
            try:
                page.size(width, height)
                yield page
            finally:
                page.close()
        finally:
            driver.terminate()
            driver.wait(timeout=20)


def _wait_for_driver(port: int) -> None:
    for _ in range(200):
        try:
            if _ask("GET", f"http://127.0.0.1:{port}/status", None)["ready"]:
                return
        except (OSError, RuntimeError):
            pass
        time.sleep(0.05)
    raise TimeoutError("chromedriver did not start")
