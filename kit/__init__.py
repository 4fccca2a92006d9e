"""Marginbook: reproducible reviews of graphics hardware.

The modules are the path of the data, in this order, and import only upwards:

raw log -> `layouts` -> `runs` -> `screen` -> `metrics` -> `margins` -> `suite` -> `value`
-> `review` -> `tables` -> `claims` -> `charts` -> `report` -> `archive` -> `revise`

Write ``from kit.margins.compare import compare_products``: the import tells the reader the step.
"""
