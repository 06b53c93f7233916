"""State to findings: one rule, one function, one docstring with its source.

A rule finds nothing it was not shown: what cannot be judged is unknown, with what is missing.
Every view uses the same rules. Nothing here opens a file, reads a clock or prints.
"""
