"""A finished review sealed, verified and revised.

It takes a finished folder and gives a bag that proves itself; it takes a bag and says what of it
could be reproduced. Nothing out of a bag is ever run.
"""
