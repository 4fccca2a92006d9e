"""Margins and prices in, standings out: cost per frame, price of equal value, frontier.

It takes suite averages and the prices in force at the review's date. It fetches nothing, converts
no currency and gives no advice.
"""
