"""The kernel a template runs in: an ordinary one that has imported what templates will import.

It does so while the process that started it imports papermill: a third of a second is saved. No
name is bound in the notebook; a template imports what it uses as ever.

`python -m kit.kernel -f CONNECTION_FILE`
"""

from __future__ import annotations

from importlib import import_module

USED = ("kit.background", "kit.claiming", "kit.pictures", "kit.sections", "kit.margincharts")


def main() -> None:
    """Import, then serve until shut down."""
    from ipykernel.kernelapp import launch_new_instance

    for name in USED:
        import_module(name)
    launch_new_instance()


if __name__ == "__main__":
    main()
