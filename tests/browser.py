"""A real browser, driven over a pipe by the protocol of its own developer tools; pages are files, nothing is fetched.

The protocol is published (Chrome DevTools Protocol, stable 1.3); over a pipe a message is JSON ended by a zero byte.
"""

from __future__ import annotations

import base64
import fcntl
import json
import os
import select
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

PROGRAM = shutil.which("chromium") or shutil.which("chromium-browser")
PATIENCE = 60.0  # seconds for one answer
# What a page looks like from inside. sideways: things that stick out of the window and stand in nothing that scrolls.
# covered: pairs of texts in a picture that lie on each other. small: smallest letters on the page, in pixels on the screen.
MEASURE = """(() => {
  const wide = document.documentElement.clientWidth, box = e => e.getBoundingClientRect();
  const out = [...document.body.querySelectorAll('*')].filter(e => !e.closest('.wide') && box(e).right > wide + 0.5);
  const texts = [...document.querySelectorAll('svg text')].filter(e => e.textContent.trim()).map(e => [e.textContent, box(e)]);
  const covered = [];
  texts.forEach(([a, p], i) => texts.slice(i + 1).forEach(([b, q]) => {
    const across = Math.min(p.right, q.right) - Math.max(p.left, q.left);
    const down = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
    if (across > 1 && down > 3) covered.push(a + ' / ' + b);
  }));
  const scale = e => { const s = e.closest('svg'); return s ? box(s).width / s.viewBox.baseVal.width : 1; };
  const sizes = [...document.body.querySelectorAll('*')].filter(e => [...e.childNodes].some(n => n.nodeType == 3 &&
    n.textContent.trim()) && box(e).width > 0).map(e => parseFloat(getComputedStyle(e).fontSize) * scale(e));
  return {width: innerWidth, scroll: document.documentElement.scrollWidth, height: document.documentElement.scrollHeight,
    sideways: out.map(e => e.tagName + ' ' + e.className), covered, small: Math.min(...sizes),
    dark: matchMedia('(prefers-color-scheme: dark)').matches, paper: getComputedStyle(document.body).backgroundColor};
})()"""


class Seen(NamedTuple):
    """A page as the browser saw it. measured: see MEASURE; said: everything on its console; fetched: addresses asked for
    besides the page itself."""

    measured: dict[str, Any]
    said: list[str]
    fetched: list[str]


class Browser:
    """One window of a browser that is already running."""

    def __init__(self, write: int, read: int) -> None:
        self.write, self.read = write, read
        self.buffer = b""
        self.number = 0
        self.events: list[dict[str, Any]] = []
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self.session = ""
        self.session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.ask(f"{domain}.enable")

    def ask(self, method: str, **params: Any) -> dict[str, Any]:
        """Send an order; its result. Raises AssertionError with the browser's words if it refuses."""
        self.number += 1
        message = {"id": self.number, "method": method, "params": params}
        if getattr(self, "session", ""):
            message["sessionId"] = self.session
        os.write(self.write, json.dumps(message).encode() + b"\0")
        while True:
            found = self._next()
            if found.get("id") == self.number:
                assert "error" not in found, f"{method}: {found['error']}"
                return dict(found["result"])
            self.events.append(found)

    def _next(self) -> dict[str, Any]:
        end = time.monotonic() + PATIENCE
        while b"\0" not in self.buffer:
            ready, _, _ = select.select([self.read], [], [], max(0.0, end - time.monotonic()))
            assert ready, "the browser does not answer"
            more = os.read(self.read, 1 << 20)
            assert more, "the browser is gone"
            self.buffer += more
        one, _, self.buffer = self.buffer.partition(b"\0")
        return dict(json.loads(one))

    def show(self, page: Path, width: int, *, dark: bool = False) -> Seen:
        """Open a page in a window of this width in CSS pixels and measure it once it is loaded."""
        self.ask("Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=width < 600)
        wish = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.ask("Emulation.setEmulatedMedia", features=[wish])
        self.events.clear()
        address = page.resolve().as_uri()
        self.ask("Page.navigate", url=address)
        while not any(event.get("method") == "Page.loadEventFired" for event in self.events):
            self.events.append(self._next())
        result = self.ask("Runtime.evaluate", expression=MEASURE, returnByValue=True)
        assert "exceptionDetails" not in result, result
        said, fetched = [], []
        for event in self.events:
            method, params = event.get("method", ""), event.get("params", {})
            if method in ("Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded"):
                said.append(json.dumps(params)[:500])
            elif method == "Network.requestWillBeSent" and params["request"]["url"] != address:
                fetched.append(params["request"]["url"])
        return Seen(result["result"]["value"], said, fetched)

    def picture(self, file: Path) -> None:
        """The whole page, as a PNG."""
        data = self.ask("Page.captureScreenshot", captureBeyondViewport=True)["data"]
        file.write_bytes(base64.b64decode(data))

    def print(self, file: Path) -> None:
        """The page as it is printed, as a PDF, on the paper that it asks for."""
        file.write_bytes(base64.b64decode(self.ask("Page.printToPDF", preferCSSPageSize=True)["data"]))


@contextmanager
def browser(home: Path) -> Iterator[Browser]:
    """A browser with a profile of its own, ended afterwards."""
    assert PROGRAM
    ours, theirs = os.pipe(), os.pipe()  # what the browser reads, what it writes
    high = [fcntl.fcntl(one, fcntl.F_DUPFD, 20) for one in (ours[0], theirs[1])]

    def arrange() -> None:
        os.dup2(high[0], 3)
        os.dup2(high[1], 4)

    process = subprocess.Popen(
        [PROGRAM, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run",
         "--disable-background-networking", f"--user-data-dir={home}", "--remote-debugging-pipe", "about:blank"],
        pass_fds=(3, 4), preexec_fn=arrange, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        env={**os.environ, "HOME": str(home)})
    for one in (*high, ours[0], theirs[1]):
        os.close(one)
    try:
        yield Browser(ours[1], theirs[0])
    finally:
        process.terminate()
        process.wait(20)
        os.close(ours[1])
        os.close(theirs[0])
