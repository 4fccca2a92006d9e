"""The `marginbook` command, also as `python -m kit`."""

import gc


def main() -> None:
    """Run the command line."""
    gc.disable()  # nothing that is imported becomes garbage: a tenth of the time of `--help`
    from kit.cli import main as run

    gc.enable()
    run()


if __name__ == "__main__":
    main()
