"""Every figure shown, as a claim with identity, text and trace; prose bound to claims.

It takes review and results and gives a `ClaimBook`, written as `claims.json`. After this wing
nobody looks at results again; a claim that is not here is not shown.
"""
