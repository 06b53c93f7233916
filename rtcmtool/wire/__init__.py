"""Bytes to frames to fields: the RTCM 3 transport and its messages.

In come bytes in any slicing, out come frames, rejects, columns of observations and the fields of
every other message. Nothing here opens a file, reads a clock or interprets a value.
"""
