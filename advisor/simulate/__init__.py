"""Whole jobs played on simulated cars, thousands at once.

Comes in: a compiled network and a number of cars.
Goes out: what was asked, found and spent on each.
Decision: the advice is written a second time in arrays, because playing cars one by one is 30 to 200 times
slower; a test holds the two to each other.
"""
