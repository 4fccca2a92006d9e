"""Arrays in, numbers out: intervals, shared variance, power, lows, series, outliers.

Each module is one topic and can be read and tested like a page of a statistics library. It knows
no products, titles, files or YAML, and imports nothing of the kit but its errors.
"""
