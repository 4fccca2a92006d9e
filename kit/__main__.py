"""The `marginbook` command, also as `python -m kit`."""

import atexit
import gc
import sys


def main() -> None:
    """Run the command line."""
    # Nothing that is imported becomes garbage: a tenth of the time of `--help`, a fifth of what a
    # run takes here.
    gc.set_threshold(50_000)
    atexit.register(gc.freeze)  # nor is any looked for at the end: 0.3 s of a run
    from kit.cli import app

    sys.exit(app(prog_name="marginbook"))


if __name__ == "__main__":
    main()
