"""Claims in, pictures out, with their words and the table of their numbers.

It lays out and draws; it computes nothing, rounds nothing and decides no outcome. Charts of single
runs alone draw frames, which are too many to be claims.
"""
