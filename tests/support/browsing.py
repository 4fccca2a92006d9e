"""Debian's Chromium for tests, and what to do where a tool is missing."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = "/usr/bin/chromium"
NODE_MODULES = Path(__file__).parents[1] / "node" / "node_modules"
# No calls home, no sandbox (tests may run as root), nothing kept between runs.
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def need(tool: str, *, found: bool) -> None:
    """Skip the test where a tool is missing; fail it where all tools are promised."""
    if found:
        return
    if os.environ.get("MARGINBOOK_ALL_TOOLS"):
        pytest.fail(f"{tool} is missing, and all tools were promised")
    pytest.skip(f"{tool} is missing")


def need_node_package(name: str) -> Path:
    """Return the folder of a node package, or skip."""
    need(f"the node package {name} (npm ci in tests/node)", found=(NODE_MODULES / name).is_dir())
    need("node", found=shutil.which("node") is not None)
    return NODE_MODULES / name


@contextmanager
def chromium() -> Iterator[Any]:
    """Give a running browser with a profile of its own."""
    need("chromium", found=Path(CHROMIUM).is_file())
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()
