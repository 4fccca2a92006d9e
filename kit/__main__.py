"""`python -m kit`: the same commands as `marginbook`."""

from kit.cli import main

main()
