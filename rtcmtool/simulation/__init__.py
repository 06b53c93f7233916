"""A base that does not exist: orbits, observations, messages and bytes, with faults on demand.

In comes a scenario, out come the bytes that a receiver and a radio would have given, with their
arrival times, and the truth behind them. Every text of it says SIMULATED.
"""
