"""Runs to cells, cells to margins, margins to suites; their consistency, drift and energy.

It takes metrics of the runs that count and gives frozen estimates with intervals, outcomes and
traces. Prices and words are not its business.
"""
