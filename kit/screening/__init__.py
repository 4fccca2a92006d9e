"""Which runs count, and which comparisons are fair: rules in their order, controls, waivers.

It takes what was measured and gives flags and runs set aside, each with its reason. It drops
nothing in silence and computes no margin.
"""
