"""Templates opened in JupyterLab itself and run from its menu, without papermill."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from browsing import chromium, need
from tiny_project import copy_project, edit_template

ROOT = Path(__file__).parents[2]
pytestmark = [
    pytest.mark.browser,
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]
START_S, RUN_S = 60, 120


@pytest.fixture
def serve(tmp_path):
    """Give a function that starts JupyterLab in a folder; it returns the address with token."""
    servers = []

    def started(folder):
        need(
            "jupyterlab",
            found=shutil.which("jupyter-lab", path=str(Path(sys.executable).parent)) is not None,
        )
        own = tmp_path / "jupyter"
        environment = {
            **os.environ,
            "JUPYTER_RUNTIME_DIR": str(own / "runtime"),
            "JUPYTER_CONFIG_DIR": str(own / "config"),
            "JUPYTERLAB_SETTINGS_DIR": str(own / "settings"),
            "JUPYTERLAB_WORKSPACES_DIR": str(own / "workspaces"),
            "IPYTHONDIR": str(own / "ipython"),
        }
        settings = {
            # Without this, cells out of sight are not in the page, nor is their output.
            "notebook-extension/tracker": {"windowingMode": "none"},
            "apputils-extension/notification": {"fetchNews": "false", "checkForUpdates": False},
        }
        for name, values in settings.items():
            path = own / "settings" / "@jupyterlab" / f"{name}.jupyterlab-settings"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(json.dumps(values))
        log = (tmp_path / "server.log").open("wb")
        server = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "jupyterlab",
                "--no-browser",
                "--allow-root",
                "--port=0",
                "--ip=127.0.0.1",
                f"--ServerApp.root_dir={folder}",
                "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
            ],
            env=environment,
            stdout=log,
            stderr=log,
        )
        servers.append((server, log))
        until = time.monotonic() + START_S
        while time.monotonic() < until:
            for path in (own / "runtime").glob("jpserver-*.json"):
                said = json.loads(path.read_text() or "{}")
                if said.get("url"):
                    return f"{said['url']}lab/tree/{{}}?token={said['token']}"
            if server.poll() is not None:
                break
            time.sleep(0.2)
        log.close()
        pytest.fail("JupyterLab did not start:\n" + (tmp_path / "server.log").read_text()[-2000:])

    yield started
    for server, log in servers:
        server.terminate()
        try:
            server.wait(timeout=20)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()
        log.close()


def run_all(page, address):
    """Open a notebook and run every cell from the menu."""
    page.goto(address, wait_until="domcontentloaded")
    page.wait_for_selector(".jp-Notebook .jp-Cell", timeout=START_S * 1000)
    page.get_by_text("Python 3 (ipykernel) | Idle").wait_for(timeout=START_S * 1000)
    page.get_by_role("menubar").get_by_text("Run", exact=True).first.click()
    page.locator('.lm-Menu-item[data-command="runmenu:run-all"]').click()


def test_run_all_shows_what_the_report_shows(serve, tmp_path):
    params = copy_project(tmp_path / "project")
    address = serve(params.parent.parent)
    with chromium() as browser:
        page = browser.new_page(viewport={"width": 1400, "height": 2400})
        run_all(page, address.format("notebooks/tiny.ipynb"))
        page.get_by_text("Review tiny is complete").wait_for(timeout=RUN_S * 1000)
        assert (params.parent.parent / "out" / "tiny" / "claims.json").is_file()
        table = page.locator(".jp-OutputArea .marginbook table").first
        table.scroll_into_view_if_needed()
        assert table.locator("caption").inner_text().startswith("Ahead of one rival")
        assert "−5.7" in table.inner_text() and "unresolved" in table.inner_text()
        number = table.locator("td.n").first
        assert number.evaluate("e => getComputedStyle(e).fontVariantNumeric") == "tabular-nums"
        assert page.locator(".jp-OutputArea script").count() == 0


def test_an_error_is_one_readable_line(serve, tmp_path):
    params = copy_project(tmp_path / "project")

    def edit(notebook):
        notebook["cells"][2]["source"] = (
            "from kit.errors import Fault, ParamsError\n"
            "raise ParamsError([Fault('tiny.yaml', 'no such title', line=3)])"
        )

    edit_template(params, edit)
    address = serve(params.parent.parent)
    with chromium() as browser:
        page = browser.new_page(viewport={"width": 1400, "height": 2400})
        run_all(page, address.format("notebooks/tiny.ipynb"))
        output = (
            page.locator('.jp-RenderedText[data-mime-type="application/vnd.jupyter.error"]')
            .or_(page.locator('.jp-RenderedText[data-mime-type="application/vnd.jupyter.stderr"]'))
            .first
        )
        output.wait_for(timeout=RUN_S * 1000)
        assert output.inner_text().strip() == "ParamsError: tiny.yaml, line 3: no such title"


@pytest.fixture
def project(tmp_path):
    """Give a copy of this project's notebooks and params beside its bench."""
    folder = tmp_path / "project"
    for name in ("notebooks", "params"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns(".*"))
    (folder / "example_runs").symlink_to(ROOT / "example_runs")
    return folder


@pytest.mark.slow
def test_the_review_of_the_demo_runs_from_the_menu(serve, project):
    address = serve(project)
    with chromium() as browser:
        page = browser.new_page(viewport={"width": 1600, "height": 1000})
        run_all(page, address.format("notebooks/review.ipynb"))
        page.get_by_text("Review demo is complete").wait_for(timeout=RUN_S * 1000)
        # The page's own style: a picture in its row, no taller than on the page.
        assert page.locator(".rivals tbody tr").first.bounding_box()["height"] < 60
        ends = """() => {
            const cells = [...document.querySelectorAll('.jp-Notebook .jp-Cell')];
            const box = (e) => e.getBoundingClientRect();
            return [box(cells.at(-1)).bottom - box(cells[0]).top, box(cells.at(-1)).bottom];
        }"""
        height, bottom = page.evaluate(ends)
        assert height < 15 * 1479  # screens of a window of 1600 pixels
        assert bottom < 1000  # the last cell is in sight, and right above it the finding
        last = page.locator(".jp-Cell .marginbook").last
        assert 0 < last.bounding_box()["y"] < 1000
        said = [last.locator("b"), page.locator("#finding")]
        said = [place.inner_text().replace("\u00a0", " ") for place in said]
        assert said[0] == said[1]
        last.locator("a").click()
        page.wait_for_timeout(1000)
        assert 0 <= page.locator("#finding").bounding_box()["y"] < 800
    (claims,) = (project / "out").rglob("claims.json")
    assert json.loads(claims.read_text())["review"]["id"] == "demo"


@pytest.mark.slow
def test_the_tour_of_the_laboratory_runs_from_the_menu(serve, project):
    address = serve(project)
    with chromium() as browser:
        page = browser.new_page(viewport={"width": 1400, "height": 2400})
        run_all(page, address.format("notebooks/explore.ipynb"))
        last = page.locator(".jp-Cell").last.locator(".marginbook p")
        last.wait_for(timeout=RUN_S * 1000)
        assert "0 outcome turned, 0 moved" in last.inner_text()
        assert page.locator('[data-mime-type="application/vnd.jupyter.error"]').count() == 0
        assert page.locator(".jp-OutputArea img").count() >= 3
        assert page.locator(".jp-OutputArea script").count() == 0
