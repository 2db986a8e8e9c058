"""Headless Chromium for pages that tests wrote: measured in frames of a given width, every request of it noted.

All its traffic goes through a proxy on loopback that serves the pages by itself and lets nothing else through.
"""

from __future__ import annotations

import contextlib
import functools
import html
import json
import os
import re
import shutil
import signal
import subprocess
import tempfile
import threading
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest

HOST = "page.example"
LIMIT_S = 60
_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
    "--disable-breakpad",
    "--hide-scrollbars",
)

# What the browser asks for by itself at its start, whatever page it shows; the proxy refuses it.
_OWN = frozenset(("accounts.google.com", "clients2.google.com", "update.googleapis.com"))

# Widths are those of the frame. Contrast: WCAG 2.1, 1.4.3 and the definitions of contrast ratio and relative luminance.
_MEASURE = """
function light(rgb) {
  const part = rgb.map(v => { v /= 255; return v <= 0.03928 ? v / 12.92 : Math.pow((v + 0.055) / 1.055, 2.4); });
  return 0.2126 * part[0] + 0.7152 * part[1] + 0.0722 * part[2];
}
function rgb(text) { return text.match(/[\\d.]+/g).map(Number); }
function behind(element) {
  for (let one = element; one; one = one.parentElement) {
    const found = rgb(getComputedStyle(one).backgroundColor);
    if (found.length < 4 || found[3] > 0) return found.slice(0, 3);
  }
  return [255, 255, 255];
}
function measure(frame) {
  const page = frame.contentDocument, root = page.documentElement, wide = frame.clientWidth;
  const out = [], low = [];
  let least = 99;
  for (const one of page.body.querySelectorAll('*')) {
    const box = one.getBoundingClientRect();
    if (box.right > wide + 0.5 && box.width > 0) out.push(one.tagName + ': ' + one.textContent.trim().slice(0, 40));
    const own = [...one.childNodes].filter(node => node.nodeType === 3).map(node => node.textContent.trim());
    if (!own.some(text => text && text !== '\\u00a0') || one.namespaceURI.endsWith('svg')) continue;
    const a = light(rgb(getComputedStyle(one).color)), b = light(behind(one));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    least = Math.min(least, ratio);
    if (ratio < 4.5) low.push(ratio.toFixed(2) + ' ' + one.tagName + ': ' + one.textContent.trim().slice(0, 40));
  }
  return {width: wide, scroll: root.scrollWidth, out, low, least,
          paper: light(behind(page.body)), text: page.body.innerText.length,
          charts: page.querySelectorAll('svg').length};
}
"""


@dataclass(frozen=True)
class Measured:
    """What a browser found: the frame's width, how wide the page wanted to be, what stands out of it on the right,
    the least contrast and what is below 4.5, how light the paper is (0 to 1), and every address it asked for."""

    width: int
    scroll: int
    out: list[str]
    low: list[str]
    least: float
    paper: float
    text: int
    charts: int
    asked: list[str]


def require_chromium() -> str:
    """The browser's path; skips where there is none, fails where CI=true."""
    path = shutil.which("chromium")
    if path is None:
        if os.environ.get("CI") == "true":
            pytest.fail("this must run where CI=true, but chromium is not installed")
        pytest.skip("chromium is not installed")
    return path


def measure(page: str, width: int, dark: bool = False) -> Measured:
    """Show `page` in a frame of `width` pixels, in light or dark, and measure it."""
    return measure_each(page, (width,), dark)[width]


@functools.lru_cache(maxsize=4)
def measure_each(page: str, widths: tuple[int, ...], dark: bool = False) -> dict[int, Measured]:
    """The same in frames of several widths below each other, for one start of the browser. What is asked for, is asked
    for by each."""
    found, asked = _shown(page, widths, "measure(frame)", dark)
    return {width: Measured(**one, asked=asked) for width, one in zip(widths, found, strict=True)}


def ask(page: str, question: str, width: int = 1280) -> Any:
    """What `question`, an expression that may use `page` (the document) and `style(selector)`, answers of a page once
    it is shown."""
    style = "one => getComputedStyle(frame.contentDocument.querySelector(one))"
    found, _ = _shown(page, (width,), f"((page, style) => ({question}))(frame.contentDocument, {style})")
    return found[0]


def _shown(page: str, widths: tuple[int, ...], question: str, dark: bool = False) -> tuple[list[Any], list[str]]:
    frames = "".join(
        f'<iframe src="/page" width="{width}" height="2000" style="border:0;display:block"></iframe>'
        for width in widths
    )
    width = max(widths)
    wrapper = (
        f'<!DOCTYPE html><link rel="icon" href="data:,"><body style="margin:0">{frames}'
        f'<pre id="found"></pre><script>{_MEASURE}'
        "window.onload = () => setTimeout(() => {"
        f"const all = [...document.querySelectorAll('iframe')].map(frame => {question});"
        "document.getElementById('found').textContent = JSON.stringify(all); }, 200);</script></body>"
    )
    with _Pages({"/": wrapper, "/page": page}) as pages:
        shown = _run(
            [f"--window-size={max(width, 500)},2000", f"--blink-settings=preferredColorScheme={0 if dark else 1}"],
            ["--virtual-time-budget=4000", "--dump-dom", f"http://{HOST}/"],
            pages.port,
        )
        asked = [one for one in pages.asked if one not in (f"http://{HOST}/", f"http://{HOST}/page") and not _own(one)]
    found = re.search(r'<pre id="found">(.*?)</pre>', shown, re.DOTALL)
    assert found and found.group(1), f"the browser measured nothing: {shown[:500]}"
    return json.loads(html.unescape(found.group(1))), asked


def print_to_pdf(page: str, paper: str) -> bytes:
    """`page` as it comes out of the printer on `paper` (`A4`, `letter`), with the margins that it asks for."""
    with _Pages({"/page": page.replace("@page {", f"@page {{ size: {paper};", 1)}) as pages:
        return _written("out.pdf", ["--no-pdf-header-footer"], "--print-to-pdf", pages.port)


def screenshot(page: str, width: int, height: int, scale: int) -> bytes:
    """`page` as a picture (PNG): so many CSS pixels wide and high, each of `scale` by `scale` pixels."""
    with _Pages({"/page": page}) as pages:
        flags = [f"--window-size={width},{height}", f"--force-device-scale-factor={scale}"]
        return _written("out.png", flags, "--screenshot", pages.port)


def _written(name: str, flags: list[str], option: str, proxy: int) -> bytes:
    with tempfile.TemporaryDirectory(prefix="otherroof-browser-") as folder:
        path = os.path.join(folder, name)
        _run(flags, [f"{option}={path}", f"http://{HOST}/page"], proxy)
        with open(path, "rb") as file:
            return file.read()


def _own(address: str) -> bool:
    return re.sub(r"^[a-z]+://", "", address).split("/")[0].split(":")[0] in _OWN


def _run(flags: list[str], what: list[str], proxy: int) -> str:
    chromium = require_chromium()
    with tempfile.TemporaryDirectory(prefix="otherroof-browser-", ignore_cleanup_errors=True) as profile:
        argv = [
            chromium,
            *_FLAGS,
            *flags,
            f"--user-data-dir={profile}",
            f"--proxy-server=http://127.0.0.1:{proxy}",
            "--proxy-bypass-list=<-loopback>",
            *what,
        ]
        child = subprocess.Popen(
            argv, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, start_new_session=True
        )
        try:
            shown, _ = child.communicate(timeout=LIMIT_S)
        finally:
            # The browser leads a group of its own; whatever of it is left goes with it.
            with contextlib.suppress(ProcessLookupError):
                os.killpg(child.pid, signal.SIGKILL)
            child.wait(10)
    return shown


class _Pages:
    """A proxy that serves some pages of HOST, refuses everything else, and notes what was asked."""

    def __init__(self, pages: dict[str, str]) -> None:
        self.asked: list[str] = []
        outer = self

        class Handler(BaseHTTPRequestHandler):
            timeout = 10

            def do_GET(self) -> None:
                outer.asked.append(self.path)
                body = pages.get(self.path.removeprefix(f"http://{HOST}"), "").encode()
                self.send_response(200 if body else 404)
                self.send_header("Content-Type", "text/html; charset=utf-8")
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def do_CONNECT(self) -> None:
                outer.asked.append(self.path)
                self.send_error(403)

            do_POST = do_CONNECT

            def log_message(self, *said: Any) -> None:
                """Stay silent."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.port = int(self._server.server_address[1])
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)

    def __enter__(self) -> _Pages:
        self._thread.start()
        return self

    def __exit__(self, *ignored: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)
