"""How good the advice is, measured on simulated cars and on scenarios.

Comes in: knowledge, seeds and policies.
Goes out: accuracy, calibration, minutes, and which numbers matter most.
Decision: every policy plays the same cars with the same stop, and runs of 250 cars have seeds of their own,
so that the number of processor cores changes nothing.
"""
