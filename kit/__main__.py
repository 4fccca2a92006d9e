"""The `marginbook` command, also as `python -m kit`."""

import gc
import sys


def main() -> None:
    """Run the command line."""
    gc.disable()  # nothing that is imported becomes garbage: a tenth of the time of `--help`
    from kit.cli import app

    gc.enable()
    sys.exit(app(prog_name="marginbook"))


if __name__ == "__main__":
    main()
