"""The whole service as the README starts it, in a data directory of its own, and a real Chromium."""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page

from config.demo_logins import LOGINS
from tests.browser.install import find_chromium

TOP = Path(__file__).resolve().parents[2]
DESKTOP = {"width": 1280, "height": 900}
PHONE = {"width": 390, "height": 844}


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    chromium = find_chromium()
    if chromium is None:
        pytest.fail("No Chromium on this machine. Run: python -m tests.browser.install")
    return browser_type_launch_args | {
        "executable_path": chromium,
        "args": [
            "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
        ],
    }


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="session")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a running demo firm of about 50 sites, with worker and beat."""
    data = Path(f"/tmp/zw-browser-{os.getpid()}")
    port = free_port()
    log = tmp_path_factory.mktemp("demo") / "demo.log"
    environment = {k: v for k, v in os.environ.items() if k not in {"DATABASE_URL", "REDIS_URL", "ZONEWRIGHT_LOCAL"}}
    environment |= {
        "ZONEWRIGHT_DATA": str(data), "ZONEWRIGHT_THROWAWAY": "1", "DJANGO_SETTINGS_MODULE": "config.settings"
    }
    with log.open("w") as output:
        demo = subprocess.Popen(
            [sys.executable, "manage.py", "demo", "--port", str(port), "--scale", "0.2"],
            cwd=TOP, env=environment, stdout=output, stderr=subprocess.STDOUT, start_new_session=True,
        )
    address = f"http://127.0.0.1:{port}"
    try:
        for _ in range(1200):
            if demo.poll() is not None:
                pytest.fail(f"The demo ended by itself:\n{log.read_text()[-4000:]}")
            try:
                with urllib.request.urlopen(f"{address}/health/", timeout=2):
                    if re.search(r"Ctrl-C", log.read_text()):
                        break
            except OSError:
                pass
            time.sleep(0.15)
        else:
            pytest.fail(f"The demo did not come up:\n{log.read_text()[-4000:]}")
        yield address
    finally:
        demo.send_signal(signal.SIGINT)
        try:
            demo.wait(60)
        except subprocess.TimeoutExpired:
            os.killpg(demo.pid, signal.SIGKILL)
        shutil.rmtree(data, ignore_errors=True)


@pytest.fixture
def log_in(page: Page, service: str) -> Any:
    def enter(role: str, viewport: dict[str, int]) -> Page:
        email, password = next((e, p) for label, e, p in LOGINS if label.lower().startswith(role.lower()))
        page.set_viewport_size(viewport)  # type: ignore[arg-type]
        page.goto(f"{service}/accounts/login/")
        page.get_by_label("Email").fill(email)
        page.get_by_label("Password").fill(password)
        page.get_by_role("button", name="Log in").click()
        page.wait_for_url(lambda url: "/accounts/login" not in url)
        return page

    return enter
