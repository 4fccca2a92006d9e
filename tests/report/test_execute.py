"""What of an executed notebook depends on where and when, and is taken out.

What counts as executed is tested through `kit.report.report`, in test_report.py.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from kit.page.cell_html import CLOSED_MIME
from kit.report.execute import _failure, _Progress, _without_grammar, closing_of, scrub_notebook


def test_scrubbing_takes_folders_addresses_and_kernel_files_out_of_every_text():
    notebook = {
        "cells": [
            {
                "id": "a",
                "cell_type": "code",
                "source": "x",
                "metadata": {"papermill": {"d": 1}},
                "execution_count": 1,
                "outputs": [
                    {
                        "output_type": "stream",
                        "name": "stderr",
                        "text": [
                            "/tmp/ipykernel_77/123.py:1: UserWarning: /home/ann/work/kit/x.py",
                            "<object at 0x7f0011223344>",
                        ],
                    }
                ],
            }
        ],
        "metadata": {"papermill": {"start_time": "now"}},
        "nbformat": 4,
        "nbformat_minor": 5,
    }
    clean = scrub_notebook(notebook, {}, folders=[Path("/home/ann/work"), Path("/home/ann")])
    (cell,) = clean["cells"]
    assert cell["metadata"] == {}
    assert cell["outputs"][0]["text"] == ["cell:1: UserWarning: kit/x.py", "<object>"]
    assert "papermill" not in clean["metadata"]


def test_the_injected_cell_says_the_parameters_as_shown():
    cell = {
        "id": "random-1",
        "cell_type": "code",
        "source": "# Parameters\nparams_path = '/home/ann/x.yaml'",
        "metadata": {"tags": ["injected-parameters"]},
        "outputs": [],
        "execution_count": 2,
    }
    (clean,) = scrub_notebook({"cells": [cell]}, {"params_path": "x.yaml"}, folders=[])["cells"]
    assert clean["id"] == "injected-parameters"
    assert clean["source"] == "params_path = 'x.yaml'"


def test_the_root_folder_is_not_a_name_to_take_out():
    cell = {"cell_type": "markdown", "id": "a", "source": "a/b", "metadata": {}}
    (clean,) = scrub_notebook({"cells": [cell]}, {}, folders=[Path("/")])["cells"]
    assert clean["source"] == "a/b"


CLOSED = {"output_type": "execute_result", "data": {CLOSED_MIME: {"review": "r"}}}


def closing(**more):
    return {"cell_type": "code", "outputs": [CLOSED], **more}


def test_only_the_last_code_cell_closes():
    assert closing_of({"cells": [closing(), {"cell_type": "markdown"}]}) == {"review": "r"}
    assert closing_of({"cells": [closing(), {"cell_type": "code", "outputs": []}]}) is None
    assert closing_of({"cells": []}) is None


def test_the_slow_grammar_is_kept_out_only_while_notebooks_are_imported():
    assert "rfc3987_syntax" not in sys.modules or sys.modules["rfc3987_syntax"] is not None
    before = sys.modules.pop("rfc3987_syntax", None)
    try:
        with _without_grammar(), pytest.raises(ImportError):
            import rfc3987_syntax  # noqa: F401
        assert "rfc3987_syntax" not in sys.modules
    finally:
        if before is not None:
            sys.modules["rfc3987_syntax"] = before


def test_a_cell_passed_over_makes_the_run_not_count_though_it_closed():
    def cells(**first):
        return [
            {"cell_type": "code", "id": "a", "source": "x", "outputs": [], **first},
            closing(id="z", source="close", execution_count=2),
        ]

    assert _failure(_Progress({"cells": cells(execution_count=1)}), 60, "") is None
    failure = _failure(_Progress({"cells": cells(execution_count=None)}), 60, "")
    assert 'cell "a" did not run' in str(failure)
