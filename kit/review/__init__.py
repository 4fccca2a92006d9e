"""The data's path walked once: load and screen, work out, look into a cell, health of a bench.

It takes a params file and gives `Review` and `Results`, from which claims are made. Nothing is
printed, drawn or rounded here.
"""
