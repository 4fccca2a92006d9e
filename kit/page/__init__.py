"""Claims in, HTML out: the sections of a page, its tables, charts, traces and frame.

It takes what the claims say and gives markup that loads nothing and runs nothing. Templates hold
no logic; no figure is made here.
"""
