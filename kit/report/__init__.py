"""A template executed and kept: one review, many reviews, the league of a season.

It takes params and a notebook template and gives a finished folder. It puts a folder in place
whole or not at all, and computes no figure.
"""
