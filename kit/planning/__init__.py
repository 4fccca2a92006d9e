"""How many runs a margin needs, where bench time is best spent, and in what order to run.

It takes spreads known from the bench and gives a plan with its order and check-list. It measures
nothing and claims nothing about products.
"""
