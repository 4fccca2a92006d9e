"""`jupyter nbconvert --to marginbook executed.ipynb`: the report's page from the command line.

Found by nbconvert through the entry point ``nbconvert.exporters``.
"""

from __future__ import annotations

from typing import Any

from nbconvert.exporters.exporter import Exporter

from kit.page.assemble import build_page


class MarginbookExporter(Exporter):
    """Make an executed notebook into the one offline page of a report."""

    export_from_notebook = "Marginbook report"
    output_mimetype = "text/html"

    def _file_extension_default(self) -> str:
        return ".html"

    def from_notebook_node(  # type: ignore[override]  # text here, as in nbconvert's own exporters
        self, nb: Any, resources: Any = None, **kw: Any
    ) -> tuple[str, Any]:
        """Return the page and nbconvert's resources.

        Raises
        ------
        ExecutionError
            If the notebook cannot be made into a page; see `kit.page.assemble.build_page`.
        """
        nb, resources = super().from_notebook_node(nb, resources, **kw)
        return build_page(nb), resources
