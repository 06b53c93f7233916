"""Decoded batches to state: what came, when, how whole, and what it told.

In come batches of the wire room, out come counts, intervals and histories that rules and views
read. Nothing here opens a file or reads a clock: time comes in with the data.
"""
