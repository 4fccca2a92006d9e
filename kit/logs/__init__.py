"""Bytes of a raw log in, a `Log` out: hashed, unpacked, read through its declared layout.

A log that does not fit its layout is refused with row, column, what was found and what to do.
Layouts of unknown logs are proposed with reasons. Nothing here knows products or runs.
"""
