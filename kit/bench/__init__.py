"""The folder of evidence: run sheet, prices, specifications, and logs taken in.

It takes the files of a bench and gives rows with their logs; it changes a bench only by a
transaction that is safe when killed. What a run's frames say is not judged here.
"""
