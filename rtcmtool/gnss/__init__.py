"""What the numbers mean: pure functions over numbers and NumPy arrays.

In come decoded values, out come positions, times, names and quality figures. Nothing here reads a
file, a clock or a byte stream, and nothing here imports another room.
"""
