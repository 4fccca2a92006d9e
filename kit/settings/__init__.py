"""YAML in, checked models out: `bench.yaml`, `params/*.yaml`, and the files to start from.

One strict reader gives all faults of a file at once, each with its line. The models say what a
key means; schemas and starting files follow from them. Nothing here opens a log or a run sheet.
"""
