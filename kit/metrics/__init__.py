"""A run's frames in, its figures and diagnostics out; kept by content, spread over processes.

It takes runs with their logs and gives averages, lows, diagnostics for screening, errors by blocks.
It does not decide which runs count, nor compare products.
"""
