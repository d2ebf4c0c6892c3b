"""A real server on a data directory of its own, driven in Debian's Chromium."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM = shutil.which("chromium")
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]
FLAGS += ["--disable-component-update", "--disable-sync"]


def at_home(home: Path) -> dict[str, str]:
    """The environment of a program whose user's data lie in this directory."""
    named = {k: v for k, v in os.environ.items() if k != "PLANNER_DATABASE"}
    return named | {"HOME": str(home), "XDG_DATA_HOME": str(home)}


class Server:
    """The app as a person starts it; `kill` is a power cut."""

    def __init__(self, home: Path) -> None:
        self.home = home
        with socket.socket() as found:
            found.bind(("127.0.0.1", 0))
            self.port = found.getsockname()[1]
        self.process: subprocess.Popen | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        command = [sys.executable, "-m", "streamlit", "run", "app.py", "--server.port", str(self.port)]
        with open(self.home / "server.log", "a") as log:
            self.process = subprocess.Popen(command, cwd=ROOT, env=at_home(self.home), stdout=log, stderr=log)
        for _ in range(240):
            try:
                urllib.request.urlopen(self.url + "/_stcore/health", timeout=1)
                return
            except OSError:
                time.sleep(0.25)
        raise RuntimeError((self.home / "server.log").read_text()[-2000:])

    def kill(self) -> None:
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait()
            self.process = None


@pytest.fixture(scope="session")
def chromium():
    """Where Debian's Chromium is."""
    if CHROMIUM is None:
        pytest.skip("Debian's chromium is not installed")
    return CHROMIUM


def running(home: Path):
    found = Server(home)
    found.start()
    yield found
    found.kill()


@pytest.fixture
def first_start(chromium, tmp_path):
    """A server somebody starts for the first time: nothing is there."""
    yield from running(tmp_path)


@pytest.fixture(scope="session")
def looked_at(chromium, tmp_path_factory):
    """The data directory of a sample shop that somebody opened once: filled, and what its record teaches worked out."""
    home = tmp_path_factory.mktemp("looked_at")
    look = "import sys; from streamlit.testing.v1 import AppTest; "
    look += "at = AppTest.from_file(sys.argv[1], default_timeout=600).run(); assert not at.exception, at.exception"
    subprocess.run([sys.executable, "-c", look, str(ROOT / "app.py")], cwd=ROOT, env=at_home(home), check=True)
    return home


@pytest.fixture
def server(looked_at, tmp_path):
    """A server started anew on a sample shop of its own that was opened before."""
    shutil.copytree(looked_at, tmp_path, dirs_exist_ok=True)
    yield from running(tmp_path)


# What a page asks of its server and when it is answered, counted in the page: a press is known to be under way before
# the server has said so.
LISTEN = """
(() => {
  const send = WebSocket.prototype.send;
  WebSocket.prototype.send = function (...message) {
    if (!this.heard) {
      this.heard = true;
      this.addEventListener("message", () => { window.answeredAt = performance.now(); });
    }
    window.askedAt = performance.now();
    return send.apply(this, message);
  };
})()
"""

# Still for several looks in a row. What is asked and not answered within two seconds wants no answer.
STILL = """
(settling) => {
  const busy = "[data-testid=stStatusWidget], [data-testid=stSkeleton], [data-testid=stAppSkeleton], "
    + "[data-stale=true], [data-testid=stSpinner]";
  const app = document.querySelector("[data-testid=stApp]"), now = performance.now();
  const asked = window.askedAt ?? 0, open = asked > (window.answeredAt ?? 0) && now - asked < 2000;
  const still = app?.dataset.testScriptState === "notRunning" && !open && !document.querySelector(busy)
    && document.querySelector("[data-testid=stMain] [data-testid=stVerticalBlock] *");
  if (window.settling !== settling) { window.settling = settling; window.looks = 0; }
  window.looks = still ? window.looks + 1 : 0;
  return window.looks > 4;
}
"""


class Browser:
    """Chromium, whose pages tell what they have asked of the server."""

    def __init__(self, chromium) -> None:
        self.chromium = chromium

    def new_page(self, **how):
        page = self.chromium.new_page(**how)
        page.add_init_script(LISTEN)
        return page


@pytest.fixture
def browser(chromium):
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=chromium, args=FLAGS)
        yield Browser(opened)
        opened.close()


def settle(page, seconds: float = 60) -> None:
    """Wait until Streamlit has stopped running and the page is drawn; fail on an exception shown."""
    page.wait_for_function(STILL, arg=time.monotonic(), polling=60, timeout=seconds * 1000)
    shown = page.locator("[data-testid=stException]")
    assert shown.count() == 0, shown.inner_text()


def pick(page, box: str, option: str | re.Pattern | int, seconds: float = 60, typed: str = "") -> None:
    """Choose in a select box, by what the option says or by its place, as a person does: press it, press it again where
    the list did not open or stayed open. A long list that still scrolls moves away under a script's press, which then
    falls on nothing, and draws only what is in sight: ``typed`` shortens it. A choice that was taken and is gone again
    is a failure."""
    from playwright.sync_api import TimeoutError as Late
    from playwright.sync_api import expect

    field, options = page.get_by_role("combobox", name=box).first, page.get_by_role("option")
    if isinstance(option, int):
        wanted = options.nth(option)
    else:
        wanted = page.get_by_role("option", name=option, exact=isinstance(option, str)).first
    said, pressed, end = "", False, time.time() + seconds
    while not pressed or options.count():
        assert time.time() < end, f"{box}: {option!r} could not be chosen, listed: {options.all_inner_texts()}"
        try:
            if options.count() == 0:
                field.click(timeout=5000)
                if typed:
                    field.fill(typed, timeout=5000)
            said = wanted.inner_text(timeout=5000).strip()
            wanted.click(timeout=5000)
            pressed = True
        except Late:  # it closed just now, or is slow: look again
            continue
        with contextlib.suppress(Late):  # it closes, or is looked at again
            options.first.wait_for(state="detached", timeout=500)
    settle(page, seconds)
    expect(field).to_have_value(said, timeout=seconds * 1000)


def low_keys(page) -> list[str]:
    """Keys lower than a finger asks for: 44 px, WCAG 2.2, success criterion 2.5.5. What is printed, or chosen once at
    the desk, is no key of the machine."""
    keys = page.locator("[data-testid=stMain] :is([data-testid=stButton], [data-testid=stPopover]) button:visible")
    found = keys.evaluate_all("all => all.map(key => [key.innerText, key.getBoundingClientRect().height])")
    assert found
    return [" ".join(words.split()) for words, height in found if height < 44]


def go(page, name: str) -> None:
    """To a page, by its link at the side."""
    page.get_by_role("link", name=name, exact=False).first.click()
    settle(page)


def main_text(page) -> str:
    return page.locator("[data-testid=stMain]").inner_text()


def wait_for(page, text: str) -> None:
    page.get_by_text(text, exact=False).first.wait_for(timeout=90_000)


def import_parts(page, sheet: Path, rows: str, count: int) -> None:
    """Write rows into a file and bring its parts in, all of them, on the page Parts."""
    sheet.write_text(rows)
    go(page, "Parts")
    page.get_by_text("Import a file", exact=True).first.click()
    settle(page)
    page.locator("input[type=file]").set_input_files(str(sheet))
    settle(page)
    page.get_by_role("button", name=f"Store {count}", exact=False).first.click()
    settle(page)


def sample_database(server: Server) -> sqlite3.Connection:
    return sqlite3.connect(server.home / "surfacing-planner" / "sample.db")


def sit_down(page) -> None:
    """The first of the shop's people sits at this screen."""
    pick(page, "Who", 1)
